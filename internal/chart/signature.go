package chart

import "time"

// Signature is the current of a station's last start beside known starts of its
// family. All lines begin with the power, at 0 ms.
type Signature struct {
	Station    string      `json:"station"`
	Run        string      `json:"run"` // as in RunRow
	At         time.Time   `json:"at"`  // power-up
	Profile    string      `json:"profile"`
	Ended      string      `json:"ended"`          // up, dropped, stopped, cut
	Mode       string      `json:"mode,omitempty"` // that it came up in
	AfterS     float64     `json:"after_s"`
	Gap        bool        `json:"gap,omitempty"` // readings are missing, and the line ends there
	Current    Channel     `json:"current"`
	Steps      []StartStep `json:"steps"`
	References []Reference `json:"references"`            // the nearest first
	PassedOver int         `json:"passed_over,omitempty"` // starts where USB bus power fed the board otherwise than here
	Note       string      `json:"note,omitempty"`        // why there are no references, and how to get some
}

// StartStep is one level of a start. Currents are µA.
type StartStep struct {
	FromS  float64 `json:"from_s"`
	ForS   float64 `json:"for_s"`
	Level  int64   `json:"level"`
	Varies int64   `json:"varies"` // half the distance from the 5th to the 95th percentile
}

// Reference is a known start, and how far the last one is from it.
type Reference struct {
	Kind     string    `json:"kind"` // good, fault
	Name     string    `json:"name"`
	Station  string    `json:"station"`
	Taken    time.Time `json:"taken"`
	Ended    string    `json:"ended"`
	Current  Channel   `json:"current"`
	Distance int64     `json:"distance"`        // mean difference, µA
	Parts    *Parting  `json:"parts,omitempty"` // where they part; null: they go together to the end
}

// Parting is where a start begins to go another way than a reference.
type Parting struct {
	AtS   float64 `json:"at_s"`
	Here  int64   `json:"here"`  // µA
	There int64   `json:"there"` // µA
}

// Comparison is two runs, each with times from its own start.
type Comparison struct {
	StepMS int64 `json:"step_ms"` // of both; 0: readings as they were read
	LongMS int64 `json:"long_ms"` // how much of them is shown
	A      Side  `json:"a"`
	B      Side  `json:"b"`
}

// Side is one of two runs. The moments of its modes are ms from its start, as
// the times in its channels.
type Side struct {
	Run      RunRow     `json:"run"`
	Channels []Channel  `json:"channels"`
	Modes    []ModeSpan `json:"modes"`
}
