// Package checkup looks whether a bench can be watched through a long job: the
// configuration, the bus, each supply, and what the computer itself may do in
// the night. It owns what is looked at, what is thought of it, and what to do.
//
// Looking and judging are apart: facts are read through the seams of System,
// and each check is a pure function from facts to a Result. What this computer
// does not tell is "not found here", never guessed. Nothing is changed, and no
// instrument is asked anything but who it is and what the watch asks.
package checkup

import (
	"context"
	"errors"
	"io/fs"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/inhibit"
	"benchvigil/internal/profile"
	"benchvigil/internal/supply"
	"benchvigil/internal/unit"
	"benchvigil/internal/usb"
)

// Verdict is what is thought of a fact.
type Verdict string

// The verdicts. Unknown is a fact that this computer does not tell.
const (
	OK        Verdict = "ok"
	Attention Verdict = "attention" // the watch works, but something may spoil a long job
	Failed    Verdict = "failed"    // something cannot be watched
	Unknown   Verdict = "unknown"
)

// Cause sorts failures for the exit code.
type Cause int

// The causes.
const (
	Other    Cause = iota
	Config         // the configuration is wrong
	Hardware       // hardware is missing or forbidden
)

// Result is one line of the table.
type Result struct {
	Check   string  `json:"check"`   // what was looked at
	Verdict Verdict `json:"verdict"` // what is thought of it
	Found   string  `json:"found"`   // what was seen
	Do      string  `json:"do,omitempty"`
	Cause   Cause   `json:"-"`
}

// Station is what a checkup has to know of a station.
type Station struct {
	ID       string
	Port     string // empty: none
	Profile  *profile.Profile
	Supplies []supply.Options // the supply and the meters, complete for supply.New
	Watched  Watched          // what a benchvigil that runs sees; nil: none runs
}

// Watched is what a running watch says of a station's supply and meters, by
// their channels. Two that ask one instrument can take each other's answers, so
// a checkup does not ask beside it.
type Watched map[string]Sight

// Sight is what a running watch says of one instrument.
type Sight struct {
	Power   bench.Power // the last reading
	Celsius unit.Maybe[unit.Temperature]
	Lost    bool
	Error   string // what the source complained of last
}

// Bench is what is to be checked.
type Bench struct {
	File     string // of the configuration
	Problem  error  // what is wrong with it; nil: nothing
	Notice   string // what a benchvigil that runs wants everybody to know; empty: nothing
	Stations []Station
	CrossRef bool     // libusb is to be asked too
	Awake    bool     // the computer is to be kept awake during runs
	Folders  []string // where the record goes
	Held     string   // what a benchvigil that runs keeps off the computer; empty: it holds nothing
	Refused  string   // why one that runs may not; empty: it was not refused
	Access   *Access  // who reaches the pages from elsewhere; nil: nobody is to
}

// System is the computer, by the ways in which it is looked at. Root holds the
// files of the whole computer, without the leading slash.
type System struct {
	OS     string // as runtime.GOOS
	Root   fs.FS
	Sysfs  fs.FS
	Listen func() (usb.Receiver, error)
	Scan   func(ctx context.Context) ([]usb.Device, error)
	Hold   inhibit.Hold
	Free   func(folder string) (bytes uint64, err error)
	Clock  func() (Clock, error)

	ForService bool // whoever looks is root, and the watch will be a service that is not

	Measure time.Duration // how long the readings of a supply are counted; default 2 s
}

// errNotHere is a fact that this system has no place for.
var errNotHere = errors.New("not found here")

// Run looks at everything, in the order of the table.
func Run(ctx context.Context, b Bench, s System) []Result {
	if s.Measure == 0 {
		s.Measure = 2 * time.Second
	}
	out := []Result{configuration(b)}
	if b.Notice != "" {
		out = append(out, inForce(b.Notice))
	}
	out = append(out, b.Access.results(time.Now())...)
	out = append(out, s.bus(ctx, b)...)
	out = append(out, s.supplies(ctx, b.Stations)...)
	out = append(out, s.host(ctx, b)...)
	return out
}

func configuration(b Bench) Result {
	if b.Problem != nil {
		return Result{"configuration", Failed, b.Problem.Error(), "mend what is named, or write it anew with benchvigil enroll", Config}
	}
	return Result{Check: "configuration", Verdict: OK, Found: b.File + ": " + count(len(b.Stations), "station")}
}

// inForce tells what a running watch says of its configuration.
func inForce(notice string) Result {
	return Result{"running watch", Attention, notice, "mend what is named; the running watch takes it by itself then", Other}
}

// unknown is the result of a fact that is not there, or cannot be read.
func unknown(check string, err error) Result {
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, errors.ErrUnsupported) || errors.Is(err, errNotHere) {
		return Result{Check: check, Verdict: Unknown, Found: errNotHere.Error()}
	}
	return Result{Check: check, Verdict: Unknown, Found: err.Error()}
}

// Worst is the cause of the gravest failure; ok where nothing failed. A wrong
// configuration comes first: what else failed may follow from it.
func Worst(results []Result) (cause Cause, ok bool) {
	ok = true
	for _, r := range results {
		if r.Verdict != Failed {
			continue
		}
		switch {
		case ok, r.Cause == Config, r.Cause == Hardware && cause == Other:
			cause = r.Cause
		}
		ok = false
	}
	return cause, ok
}
