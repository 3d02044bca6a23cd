package api

import (
	"math"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Status is what one station looks like, for programs. Times are RFC 3339;
// what does not apply or is not known is left out.
type Status struct {
	Station      string          `json:"station"`
	Name         string          `json:"name"`
	Case         string          `json:"case,omitempty"`
	Profile      string          `json:"profile"`
	Port         string          `json:"port,omitempty"`
	Power        bench.PowerPath `json:"power"`
	VBUS         bool            `json:"vbus,omitempty"`
	At           time.Time       `json:"at"`
	Mode         bench.Mode      `json:"mode"`
	Label        string          `json:"label"`
	ModeSince    time.Time       `json:"mode_since,omitzero"`
	WindowS      float64         `json:"window_s"`
	Run          *Run            `json:"run,omitempty"`
	LastRun      *Run            `json:"last_run,omitempty"`
	Unwatched    *Gap            `json:"unwatched,omitempty"`       // nobody watched for a while, and what is shown began before
	Waiting      bool            `json:"waiting_for_off,omitempty"` // stopped; the next run starts after off was seen
	StillPowered bool            `json:"still_powered,omitempty"`   // stopped, and power flows all the same: nobody watches it
	Watch        *Watch          `json:"watch,omitempty"`           // the goal that is armed
	LastWatch    *Watch          `json:"last_watch,omitempty"`      // the one before, until another is armed or this is put away
	Forgotten    *Watch          `json:"forgotten_watch,omitempty"` // was armed before a restart and is not any more, until another is armed or this is put away
	Reading      *Reading        `json:"reading,omitempty"`
	VBUSMeter    *Reading        `json:"vbus_reading,omitempty"`
	Temperature  *Temperature    `json:"temperature,omitempty"`
	USB          *USB            `json:"usb,omitempty"`

	Needs   *Needs   `json:"needs,omitempty"` // how long the work under way still takes
	Odds    *Odds    `json:"odds,omitempty"`  // whether this hook-up lasts through the window
	Current *Current `json:"current_wrong,omitempty"`

	StalledSince    time.Time `json:"stalled_since,omitzero"`
	StartHung       bool      `json:"start_hung,omitempty"`
	SupplyLostSince time.Time `json:"supply_lost_since,omitzero"`
	SupplyError     string    `json:"supply_error,omitempty"`
	USBLostSince    time.Time `json:"usb_lost_since,omitzero"`
	USBError        string    `json:"usb_error,omitempty"`
	HandsOnUntil    time.Time `json:"hands_on_until,omitzero"`
	Screen          *Screen   `json:"screen,omitempty"`
	LastMark        *Noted    `json:"last_mark,omitempty"`
	Counts          Counts    `json:"counts"`
}

// Run is one run.
type Run struct {
	Start     time.Time       `json:"start"`
	Assumed   bool            `json:"assumed,omitempty"`
	UptimeS   float64         `json:"uptime_s"`
	SureFrom  time.Time       `json:"sure_from,omitzero"` // nothing shows that what was up before a time without a watch is the same run; it is surely up since its end
	Origin    time.Time       `json:"window_from,omitzero"`
	WindowMet time.Time       `json:"window_met,omitzero"`
	Suspect   bool            `json:"drop_suspected,omitempty"`
	End       time.Time       `json:"end,omitzero"`
	EndedAs   bench.EventType `json:"ended_as,omitempty"`
	Kind      string          `json:"kind,omitempty"`
}

// Gap is a time in which nobody watched, because the program or the computer was
// stopped.
type Gap struct {
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Rebooted bool      `json:"rebooted,omitempty"` // the computer was started in it, or may have been
	Judged   bool      `json:"judged"`             // what stood there after it was looked at
	Sure     bool      `json:"sure"`               // that the run went on, or ended, in it; else that is assumed
	Why      string    `json:"why"`
}

// Watch is a goal that is or was armed.
type Watch struct {
	Goal    string          `json:"goal"`
	By      string          `json:"by,omitempty"`
	Armed   time.Time       `json:"armed"`
	From    time.Time       `json:"counts_from,omitzero"` // from when its time counts
	TakesS  float64         `json:"takes_s,omitempty"`    // how long a stay must last, or the longest that another goal may take
	Ended   time.Time       `json:"ended,omitzero"`
	EndedAs bench.EventType `json:"ended_as,omitempty"`
	Kind    string          `json:"kind,omitempty"`
	Why     string          `json:"why,omitempty"`
}

// Needs is how long the work under way still takes, by finished work.
type Needs struct {
	Mode    bench.Mode `json:"mode"`
	Of      int        `json:"of"`
	MedianS *float64   `json:"median_s,omitempty"`
	MostS   *float64   `json:"nine_of_ten_s,omitempty"`
	Passed  bool       `json:"longer_than_all,omitempty"`
	Text    string     `json:"text,omitempty"`
}

// Odds is whether the board will stay up, by earlier runs of the same hook-up.
type Odds struct {
	Lasted   int     `json:"lasted"`
	Of       int     `json:"of"`
	Share    float64 `json:"share"`
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
	WaitS    float64 `json:"wait_s"` // how long they had to stay up
	RegularS float64 `json:"drops_each_time_after_s,omitempty"`
	Text     string  `json:"text"`
}

// Current is what is wrong with the current in the mode in force.
type Current struct {
	High      time.Time `json:"high_since,omitzero"`
	HighKind  string    `json:"high_kind,omitempty"`
	Drifting  time.Time `json:"drifting_since,omitzero"`
	Collapsed time.Time `json:"collapsed_since,omitzero"`
}

// Reading is the last good reading.
type Reading struct {
	At    time.Time                `json:"at"`
	Volts unit.Maybe[unit.Voltage] `json:"volts,omitzero"`
	Amps  unit.Maybe[unit.Current] `json:"amps,omitzero"`
}

// Temperature is the last one measured beside the board.
type Temperature struct {
	At      time.Time        `json:"at"`
	Celsius unit.Temperature `json:"celsius"`
}

// USB is what stands on the port.
type USB struct {
	Present bool               `json:"present"`
	ID      string             `json:"id,omitempty"`
	Serial  string             `json:"serial,omitempty"`
	Since   time.Time          `json:"since,omitzero"`
	Gone    time.Time          `json:"gone_since,omitzero"`
	Overdue bool               `json:"overdue,omitempty"` // gone without a reason, while the current flows on
	URBs    unit.Maybe[uint64] `json:"urbs,omitzero"`
}

// Screen is what somebody saw last.
type Screen struct {
	Screen bench.Screen `json:"screen"`
	At     time.Time    `json:"at"`
	By     string       `json:"by,omitempty"`
}

// Noted is a mark that somebody made.
type Noted struct {
	At   time.Time `json:"at"`
	Kind string    `json:"kind"`
	Text string    `json:"text,omitempty"`
	By   string    `json:"by,omitempty"`
}

// Counts are totals since the daemon started.
type Counts struct {
	Drops        uint64 `json:"drops"`
	Reclassified uint64 `json:"reclassified"` // drops among them that were a person's doing
	Stalls       uint64 `json:"stalls"`
	Restarts     uint64 `json:"restarts"`
	Readings     uint64 `json:"readings"`
	BadReadings  uint64 `json:"bad_readings"`
	QueueDrops   uint64 `json:"queue_drops"`
}

// StatusOf makes the wire form of a snapshot.
func StatusOf(s *bench.Snapshot) Status {
	return Status{
		Station: s.Station, Name: s.Name, Case: s.Case, Profile: s.Profile, Port: s.Port, Power: s.Hookup.Path, VBUS: s.Hookup.VBUS, At: s.At.UTC(),
		Mode: s.Mode, Label: s.Label, ModeSince: s.ModeSince, WindowS: s.Window.Seconds(),
		Run: runOf(s.Run), LastRun: runOf(s.LastRun), Unwatched: gapOf(s.Gap), Waiting: s.Waiting, StillPowered: s.StillPowered(),
		Watch: watchOf(s.Watch), LastWatch: watchOf(s.LastWatch), Forgotten: watchOf(s.Forgotten),
		Reading: readingOf(s.Reading), VBUSMeter: readingOf(s.VBUS), Temperature: temperatureOf(s.Temperature), USB: usbOf(s),
		Needs: needsOf(s.Needs), Odds: oddsOf(s.Odds, s.Window), Current: currentOf(s.Current),
		StalledSince: s.Stalled, StartHung: s.StartHung,
		SupplyLostSince: s.SupplyLost, SupplyError: s.SupplyError, USBLostSince: s.USBLost, USBError: s.USBError,
		HandsOnUntil: s.HandsOn, Screen: screenOf(s.Screen), LastMark: notedOf(s.LastMark),
		Counts: Counts{s.Counts.Drops, s.Counts.Reclassified, s.Counts.Stalls, s.Counts.Restarts, s.Counts.Readings, s.Counts.BadReadings, s.QueueDropped},
	}
}

func runOf(r *bench.RunView) *Run {
	if r == nil {
		return nil
	}
	return &Run{
		Start: r.Start, Assumed: r.Assumed, UptimeS: math.Round(r.Uptime.Seconds()*1000) / 1000, SureFrom: r.SureFrom, Origin: r.Origin,
		WindowMet: r.WindowMet, Suspect: r.Suspect, End: r.End, EndedAs: r.EndedAs, Kind: r.Kind,
	}
}

func gapOf(g *bench.GapView) *Gap {
	if g == nil {
		return nil
	}
	return &Gap{From: g.From, To: g.To, Rebooted: g.Rebooted, Judged: g.Judged, Sure: g.Sure, Why: g.Why}
}

func watchOf(w *bench.WatchView) *Watch {
	if w == nil {
		return nil
	}
	return &Watch{
		Goal: w.Goal.String(), By: w.By, Armed: w.Armed, From: w.From, TakesS: w.Takes.Seconds(),
		Ended: w.Ended, EndedAs: w.EndedAs, Kind: w.Kind, Why: w.Why,
	}
}

func needsOf(v *bench.NeedsView) *Needs {
	if v == nil {
		return nil
	}
	return &Needs{v.Mode, v.Of, secondsOf(v.Median), secondsOf(v.Most), v.Passed, v.String()}
}

func secondsOf(d unit.Maybe[time.Duration]) *float64 {
	v, ok := d.Get()
	if !ok {
		return nil
	}
	s := v.Seconds()
	return &s
}

func oddsOf(v *bench.OddsView, window time.Duration) *Odds {
	if v == nil {
		return nil
	}
	share := func(f float64) float64 { return math.Round(f*10_000) / 10_000 }
	return &Odds{v.Lasted, v.Of, share(v.Share), share(v.Low), share(v.High), max(v.Wait, window).Seconds(), v.Regular.Seconds(), v.String()}
}

func currentOf(v bench.CurrentView) *Current {
	if v == (bench.CurrentView{}) {
		return nil
	}
	return &Current{v.High, v.HighKind, v.Drifting, v.Collapsed}
}

func readingOf(r bench.ReadingView) *Reading {
	if r.At.IsZero() {
		return nil
	}
	return &Reading{At: r.At, Volts: r.Volts, Amps: r.Amps}
}

func temperatureOf(v bench.TemperatureView) *Temperature {
	if v.At.IsZero() {
		return nil
	}
	return &Temperature{At: v.At, Celsius: v.Celsius}
}

func usbOf(s *bench.Snapshot) *USB {
	switch {
	case !s.Hookup.USB:
		return nil
	case !s.USB.Present:
		return &USB{Gone: s.USB.Gone, Overdue: s.USB.Overdue}
	}
	return &USB{Present: true, ID: s.USB.ID.String(), Serial: s.USB.Serial, Since: s.USB.Since, URBs: s.USB.URBs}
}

func screenOf(v bench.ScreenView) *Screen {
	if v.At.IsZero() {
		return nil
	}
	return &Screen{Screen: v.Screen, At: v.At, By: v.By}
}

func notedOf(v bench.MarkView) *Noted {
	if v.At.IsZero() {
		return nil
	}
	return &Noted{At: v.At, Kind: v.Kind, Text: v.Text, By: v.By}
}
