package infer

import (
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// ms is a moment or a length of time in milliseconds. Moments count from an
// hour before the first observation, so that zero always means "never".
type ms int64

// firstMoment is the internal time of the first observation.
const firstMoment ms = 3_600_000

// State is everything an Engine remembers. It survives JSON unchanged, so a
// watch can be taken up again exactly where it was.
type State struct {
	Base     int64 // Unix milliseconds of internal time zero; a clock step moves it
	First    ms    // the first observation, 0 before it
	Now      ms    // the last moment processed
	Old      bool  // the last observation was stamped long before Now
	Events   uint64
	Held     []heldFact `json:",omitempty"` // observed at Now and not yet taken
	HeldBase int64      // Base when the first of them was observed

	Power  powerState
	Supply sightState
	USB    usbState
	Source sightState // the USB source itself
	Mode   modeState
	Belief beliefState
	Run    runState
	Last   endState // how the last run ended
	Down   downState
	Move   moveState
	Hands  ms // until when a person is at the station
	Screen screenState
	Case   string // number of the case
	VBUS   vbusState
	Warmth warmthState
	Drops  []ms // times from origin to drop, newest last, for the test of regularity
	Told   int  // how many of them the last run.regular was about
	Counts bench.Counts
	Watch  watchState
	Gap    gapState

	Current currentState
	Work    workState
	Hookup  hookupState
}

// powerState follows the readings.
type powerState struct {
	Last     ms // the last good reading
	Amps     unit.Current
	Volts    unit.Maybe[unit.Voltage]
	Limit    unit.Maybe[unit.Current]
	Set      unit.Maybe[unit.Voltage]
	Usual    unit.Voltage // slow mean of the volts while powered, 0 unknown
	Gaps     [9]ms        // intervals between the last readings, for their median
	GapCount int
	Period   ms // median interval

	Off     streak       // readings in the off band
	Low     streak       // readings at or below StartsAbove, the off band included
	Mid     streak       // those of them above the off band
	High    streak       // readings above StartsAbove
	Dip     ms           // first reading of the latest low streak, kept after it ended
	Was     ms           // first reading of an off streak that was long enough and has ended
	Ever    bool         // a reading at or below StartsAbove was seen
	LastLow ms           // the last of those
	Sag     ms           // last reading with the volts sagging
	SagTo   unit.Voltage // to there
	AtMax   ms           // last reading at the supply's current limit

	Block     []unit.Current // readings of the second under way
	Steps     unit.Current   // the changes from one to the next, summed up
	BlockFrom ms
	Level     unit.Maybe[unit.Current] // median of the last full second
	Levels    int                      // of this mode, up to some
	Mean      unit.Current             // of the levels, slow
	Spread    unit.Current             // mean distance from it
}

// streak is an unbroken series of readings of one sort.
type streak struct {
	N     int
	Since ms
}

func (s *streak) add(t ms) {
	if s.N == 0 {
		s.Since = t
	}
	s.N++
}

// sightState says whether a source can be seen.
type sightState struct {
	Lost   ms   // since when, 0 in sight
	Told   bool // Lost was said
	Reason string
	Heard  ms // when the reason was given
}

// usbState is what stands on the port.
type usbState struct {
	Known   bool // something was said about the port
	Empty   bool // the port was seen empty
	Present bool
	ID      bench.USBID
	Number  int // of this enumeration, 0 unknown
	Serial  string
	Since   ms        // present since
	Gone    ms        // absent since, 0 when never seen
	Left    leftState // how it was when it left
	URBs    unit.Maybe[uint64]
	Counted ms // last traffic count
}

// leftState is how the board was when its device left the bus, and what the
// current did since: a cable that is pulled changes little, a restart much.
type leftState struct {
	Mode       bench.Mode
	Level      unit.Maybe[unit.Current]
	Last       unit.Current // the level of the last second
	Spread     unit.Current // how far the level of a second was from its mean, usually
	MayRestart bool         // a mode with planned restarts was not out of the question
	Seconds    int          // full seconds since
	Rose       int          // those with a higher level
	Moved      int          // those with another level than the second before
	Changed    int          // those of them with another level
	AtOnce     bool         // one of the first two was such a one
}

// modeState is the declared mode.
type modeState struct {
	Mode  bench.Mode
	Since ms
	Hung  bool // start.hung was said in this starting
}

// runState is the run that goes on.
type runState struct {
	Active    bool
	Start     ms
	Assumed   bool
	Origin    ms // the window counts from here, 0 until known
	Met       ms
	NotBefore ms   // the window counts from here at the earliest: before it the run is only assumed
	Blocked   bool // after a stop: no new run until off was seen
}

// endState is how the last run ended.
type endState struct {
	Type      bench.EventType
	Start     ms
	Origin    ms
	Met       ms
	NotBefore ms
	End       ms
	Concluded ms
	Assumed   bool
	Kind      string
	Counted   bool // its length is the last entry of Drops
}

// screenState is what somebody saw last.
type screenState struct {
	Screen bench.Screen
	At     ms
	By     string
}

// vbusState is the last reading of a meter on USB bus power.
type vbusState struct {
	At    ms
	Amps  unit.Maybe[unit.Current]
	Volts unit.Maybe[unit.Voltage]
	Off   streak // readings in the off band
}

// warmthState is the last temperature beside the board.
type warmthState struct {
	At      ms
	Celsius unit.Temperature
}

// downState is a drop that is certain but not yet told, while its kind is open.
type downState struct {
	Since ms // first reading of it, 0 when there is none
	Why   string
	In    bench.Mode // the mode it dropped in, where that is not the one in force
	Told  bool       // run.down was said

	Unseen bool // it happened while nobody watched
}

// gapState is the last time in which nobody watched, and what is known of the
// run across it.
type gapState struct {
	From, To ms          // To 0: there was none
	Rebooted bool        // the device numbers of before mean nothing any more
	Open     bool        // what stands there is not judged yet
	Up       ms          // when the board was last seen up
	In       bench.Mode  // the mode in force before
	Was      bench.USBID // the identity before, where it is another one now
	Bus      busAcross
	Flowed   bool // the current of a board that is up was read since
	Sure     bool
	Why      string
}

// moveState is the evidence that a restore moves.
type moveState struct {
	Last    ms                       // the last movement
	Ref     unit.Maybe[unit.Current] // the level's course
	Slope   unit.Current             // a second
	Noise   float64                  // mean step from one reading to the next, µA
	Hints   int                      // seconds in a row that looked like a movement
	Busy    float64                  // the sequential test of traffic, nats
	Hint    ms                       // the last second that looked like a movement
	Often   float64                  // the share of seconds that were lively and off the mean
	Mean    unit.Current             // of the levels of the last seconds
	Lively  bool                     // the current swung within the last second
	Stalled ms                       // since when, while a stall stands
}
