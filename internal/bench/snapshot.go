package bench

import (
	"time"

	"benchvigil/internal/unit"
)

// Snapshot is what one station looks like at one moment. It is never changed
// after it was published: readers may keep it, and its slices, as long as they
// like. Times are bench time; the zero time means "never".
type Snapshot struct {
	Station string // ID, as in observations and events
	Name    string // what people call it
	Profile string
	Case    string // number of the case, empty where none is known
	Hookup  Hookup
	Port    string // USB port path, empty when none is watched
	At      time.Time

	Mode      Mode
	Label     string // the family's own word for the mode, or the mode
	ModeSince time.Time
	Run       *RunView // nil when no run goes on
	LastRun   *RunView // the run before, nil when none was seen

	Watch     *WatchView // the goal that is armed; nil: none
	LastWatch *WatchView // the one before, until it is put away
	Forgotten *WatchView // was armed when the program last stopped, and is not any more; until one is armed or it is put away

	Gap *GapView // nobody watched for a while, and what goes on began before; nil: there was no such time

	Window      time.Duration // how long the board must stay up
	Reading     ReadingView
	VBUS        ReadingView     // of the meter on USB bus power, where there is one
	Temperature TemperatureView // beside the board, where a sensor gives it
	HandsOn     time.Time       // until when a person is at the station; zero: nobody
	Screen      ScreenView      // what somebody saw last
	Waiting     bool            // a run was stopped; the next one starts after off was seen
	USB         USBView

	Needs   *NeedsView // how long the work under way still takes; nil: none goes on, or too little is known
	Odds    *OddsView  // whether this hook-up will last; nil: nothing is known, or the window is met
	Current CurrentView

	Stalled      time.Time // since when nothing moved, while a stall is raised
	StartHung    bool
	SupplyLost   time.Time // since when there is no good reading, while supply.lost stands
	SupplyError  string    // what the supply source last complained of
	USBLost      time.Time
	USBError     string
	Recent       []Event    // newest first
	Marks        []MarkView // the last that no event tells of, newest first
	LastMark     MarkView   // the last one of any kind that a person made
	Shape        Shape
	Counts       Counts
	QueueDropped uint64 // observations dropped because the station was too busy
}

// RunView is one run.
type RunView struct {
	Start     time.Time
	Assumed   bool          // it was already going on at first sight
	Uptime    time.Duration // up to the snapshot, or to the end
	SureFrom  time.Time     // of a run that goes on: nothing shows that it is the one of before; zero where that is not in doubt
	Origin    time.Time     // from when the window counts; zero until known
	WindowMet time.Time     // zero until met
	End       time.Time     // zero while it goes on
	EndedAs   EventType     // RunDropped or RunStopped once ended
	Kind      string        // of the drop or stop
	Suspect   bool          // a drop is suspected right now
}

// GapView is a time in which nobody watched, because the program or the computer
// was stopped.
type GapView struct {
	From, To time.Time
	Rebooted bool   // the computer was started in it, or may have been
	Judged   bool   // what stands there after it was judged
	Sure     bool   // that the run went on, or ended, in it; else assumed
	Why      string // in plain words
}

// soonBack is how soon after a drop a board that stayed off may come up again to
// have been off for a moment only.
const soonBack = 5 * time.Second

// BackAfter is how long after the end of this run, a drop whose kind could not
// wait for it, the next one began; false where it was not soon.
func (l *RunView) BackAfter(next time.Time) (time.Duration, bool) {
	after := next.Sub(l.End)
	return after, l.EndedAs == RunDropped && l.Kind == Died && !next.IsZero() && after >= 0 && after <= soonBack
}

// WatchView is one watch.
type WatchView struct {
	Goal    Goal
	By      string        // who armed it
	Armed   time.Time     // since when
	From    time.Time     // from when its time counts; zero: not yet
	Takes   time.Duration // how long a stay must last, or the longest that another goal may take; 0: unlimited
	Ended   time.Time     // zero while it is armed
	EndedAs EventType     // WatchDone or WatchFailed once ended
	Kind    string        // of its end
	Why     string        // the weightiest reason of its end
}

// ReadingView is the last good reading.
type ReadingView struct {
	At    time.Time
	Volts unit.Maybe[unit.Voltage]
	Amps  unit.Maybe[unit.Current]
}

// TemperatureView is the last temperature beside the board.
type TemperatureView struct {
	At      time.Time
	Celsius unit.Temperature
}

// Fresh reports a temperature that is not too old to be shown as it is now, at
// the moment of the snapshot.
func (v TemperatureView) Fresh(now time.Time) bool {
	return !v.At.IsZero() && now.Sub(v.At) <= TemperatureLasts
}

// TemperatureLasts is how long a temperature is taken to be that of now: a
// board warms within minutes.
const TemperatureLasts = time.Minute

// USBView is what stands on the port.
type USBView struct {
	Present bool
	ID      USBID
	Serial  string
	Since   time.Time
	Gone    time.Time // absent since; zero while present, and when never seen
	Overdue bool      // gone for longer than anything explains, while the current flows on
	URBs    unit.Maybe[uint64]
}

// NeedsView is how long a restore or re-pairing still takes, by finished ones
// of the same profile that had not ended at its age either.
type NeedsView struct {
	Mode   Mode
	Of     int  // finished ones that it is known from
	Passed bool // it has gone on for longer than all of them
	Median unit.Maybe[time.Duration]
	Most   unit.Maybe[time.Duration] // 9 of 10 are over by then
}

// OddsView is whether the board will stay up through the window, or through a
// longer stay that is armed, by earlier runs of the same hook-up that came as far
// as this one has.
type OddsView struct {
	Lasted, Of int
	Share      float64       // that lasts, estimated
	Low, High  float64       // limits of it, each passed one time in twenty; 0 and 1: none
	Wait       time.Duration // how long they had to stay up; 0: through the window
	// Regular is after how long the drops come, where they come at nearly the
	// same time: then the odds do not matter. 0: they do not.
	Regular time.Duration
}

// CurrentView says what is wrong with the current in the mode in force; the
// zero times mean that nothing is.
type CurrentView struct {
	High      time.Time
	HighKind  string // OverLimit or Leak
	Drifting  time.Time
	Collapsed time.Time
}

// ScreenView is a screen that somebody marked.
type ScreenView struct {
	Screen Screen
	At     time.Time
	By     string
}

// MarkView is a mark that somebody made.
type MarkView struct {
	At   time.Time
	Kind string
	Text string
	By   string
}

// Shape is the current over the last minutes: the mean of each Step, oldest
// first, the last one ending at Until. Unknown where there was no reading.
type Shape struct {
	Step  time.Duration
	Until time.Time
	Amps  []unit.Maybe[unit.Current]
}

// Counts are the station's totals since the daemon started. They never fall: a
// drop that is turned into a stop later stays counted, and is counted as
// reclassified too.
type Counts struct {
	Drops, Reclassified, Stalls, Restarts, Readings, BadReadings uint64
	WatchesDone, WatchesFailed                                   uint64 // failed by the board's doing
}

// SourceCounts are totals of a source that serves the whole bench.
type SourceCounts struct {
	Uevents     uint64 // kernel uevents received
	LostUevents uint64 // known to be lost: overruns of the socket and gaps in the sequence
	Rescans     uint64 // looks at the whole bus
	Disagree    uint64 // rescans in which libusb and sysfs did not show the same devices
}
