package study

import (
	"slices"

	"benchvigil/internal/bench"
)

// ms is a moment in milliseconds since the beginning of a job, or a length of
// time.
type ms = int64

const (
	second ms = 1000
	minute    = 60 * second
	hour      = 60 * minute
)

// never is later than any moment of a job.
const never ms = 1 << 60

// truth is what really happened on one station, as its story tells it. Nothing
// in it comes from infer.
type truth struct {
	Spans     []span
	Drops     []drop
	Runs      []run
	Stalls    []stall
	Hung      []ms     // moments at which a start outlasts its limit
	Restarts  []ms     // planned restarts
	Stops     []ms     // runs that a person or the output switch ended
	Regular   bool     // the drops come from a timer
	Drifts    []ms     // since when the level leaves where it was
	Collapses []ms     // since when the volts sag at the supply's limit
	Limited   []ms     // the same, but perhaps too short to be told as such
	Leaks     []ms     // since when a board that is not started draws too much
	Restore   ms       // time in a restore
	Under     []string // the conditions, as the table names them
	RePair    ms       // time in a re-pairing
	End       ms
}

// span is a time in one mode. Also lists modes that the evidence does not tell
// from it, or by which it may rightly be called as well.
type span struct {
	From, To ms
	Mode     bench.Mode
	Also     []bench.Mode
	Unknown  bool // nobody could know: not scored
}

func (s *span) accepts(m bench.Mode) bool { return m == s.Mode || slices.Contains(s.Also, m) }

// drop is one interruption of power, or a restart that nobody asked for.
type drop struct {
	At    ms
	Back  ms       // the power came back; never if it did not
	Kinds []string // by which it may rightly be called
	Rate  float64  // readings a second then
	// Readings wholly within the interruption, the first of them, and the first
	// one after them: what the instrument gave anybody to see.
	Seen       int
	First, End ms
	Class      class
	Gap        ms // how long the bus alone may be away
	Within     ms // it must be told so soon to count as found
}

// class says by what evidence a drop can be found, and so how soon.
type class uint8

// The classes of drops.
const (
	byCurrent class = iota // the current says it at once
	byLink                 // only the bus can say it, after the gap
	held                   // a restart with power held: known once it is back
	unseen                 // nobody looked when it happened
)

// run is one powered interval.
type run struct {
	Start  ms
	Origin ms // the window counts from here; never: the system never came up
	End    ms
	Proof  ms   // last moment of it at which anything was seen
	Hidden bool // it began or ended in a way that nobody could see
}

// stall is a time in which a restore stood still.
type stall struct {
	From, To ms
	Quiet    ms
}
