package signature

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Version is that of the format of references.
const Version = 1

// Bounds of a reference.
const (
	maxBytes  = 1 << 20
	maxName   = 64
	mostAmps  = 100 * unit.Ampere
	mostEvery = slowest
)

// ErrReference is wrapped where a file is no reference.
var ErrReference = errors.New("not a reference trace")

// Kind says what a reference stands for.
type Kind string

// The kinds.
const (
	Good  Kind = "good"
	Fault Kind = "fault"
)

// Reference is a start that somebody saved to compare others with.
type Reference struct {
	Kind    Kind
	Name    string // "known good", or what is at fault
	Profile string // of its family
	VBUS    bool   // USB bus power fed the board too, so that the supply shows less
	Taken   time.Time
	Station string
	Trace   Trace
}

// file is the JSON form, version 1. Times of the trace are seconds after
// power-up, currents are amperes.
type file struct {
	Trace   int            `json:"trace"` // the version
	Kind    Kind           `json:"kind"`
	Name    string         `json:"name"`
	Profile string         `json:"profile"`
	VBUS    bool           `json:"vbus"`
	Taken   time.Time      `json:"taken"`
	Station string         `json:"station"`
	Ended   Ending         `json:"ended"`
	Mode    bench.Mode     `json:"mode,omitempty"`
	AfterS  float64        `json:"after_s"`
	EveryS  float64        `json:"every_s"`
	Amps    []unit.Current `json:"amps"`
}

// Write writes the reference as a small JSON file.
func (r Reference) Write(w io.Writer) error {
	b, err := json.MarshalIndent(file{
		Trace: Version, Kind: r.Kind, Name: r.Name, Profile: r.Profile, VBUS: r.VBUS,
		Taken: r.Taken.UTC().Round(time.Millisecond), Station: r.Station,
		Ended: r.Trace.End, Mode: r.Trace.Mode, AfterS: r.Trace.After.Seconds(), EveryS: r.Trace.Every.Seconds(), Amps: r.Trace.Levels,
	}, "", "  ")
	if err != nil {
		return fmt.Errorf("write reference %q: %w", r.Name, err)
	}
	_, err = w.Write(append(oneLine(b), '\n'))
	return err
}

// oneLine puts the list of currents, which comes last, on one line.
func oneLine(b []byte) []byte {
	i := bytes.LastIndexByte(b, '[')
	if i < 0 {
		return b
	}
	list := bytes.Join(bytes.Fields(bytes.Trim(b[i:], "[]\n }")), []byte(" "))
	return slices.Concat(b[:i], []byte("["), list, []byte("]\n}"))
}

// ReadReference reads a reference and checks all of it. Name stands in errors.
func ReadReference(r io.Reader, name string) (Reference, error) {
	b, err := io.ReadAll(io.LimitReader(r, maxBytes+1))
	if err != nil {
		return Reference{}, fmt.Errorf("read %s: %w", name, err)
	}
	if len(b) > maxBytes {
		return Reference{}, fmt.Errorf("%s: %w: larger than 1 MiB", name, ErrReference)
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	var f file
	if err := d.Decode(&f); err != nil {
		return Reference{}, fmt.Errorf("%s: %w: %w", name, ErrReference, err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return Reference{}, fmt.Errorf("%s: %w: something follows the trace", name, ErrReference)
	}
	if err := f.check(); err != nil {
		return Reference{}, fmt.Errorf("%s: %w: %w", name, ErrReference, err)
	}
	return f.reference(), nil
}

func (f file) reference() Reference {
	return Reference{
		Kind: f.Kind, Name: f.Name, Profile: f.Profile, VBUS: f.VBUS, Taken: f.Taken, Station: f.Station,
		Trace: Trace{Every: fromSeconds(f.EveryS), Levels: f.Amps, End: f.Ended, Mode: f.Mode, After: fromSeconds(f.AfterS)},
	}
}

func fromSeconds(s float64) time.Duration {
	return time.Duration(s * float64(time.Second)).Round(time.Millisecond)
}

// CheckName says what is wrong with a name for a reference.
func CheckName(s string) error {
	if s == "" || len(s) > maxName || strings.TrimSpace(s) != s || strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return fmt.Errorf("the name %q: want 1 to %d characters, without space at the ends", s, maxName)
	}
	return nil
}

func (f file) check() error {
	every := fromSeconds(f.EveryS)
	switch {
	case f.Trace != Version:
		return fmt.Errorf("trace: version %d is not known to this program, which reads version %d", f.Trace, Version)
	case f.Kind != Good && f.Kind != Fault:
		return fmt.Errorf("kind %q: want %s or %s", f.Kind, Good, Fault)
	case CheckName(f.Name) != nil:
		return CheckName(f.Name)
	case f.Profile == "":
		return errors.New("profile is missing")
	case !slices.Contains([]Ending{Up, Dropped, Stopped, Cut}, f.Ended):
		return fmt.Errorf("ended %q: want %s, %s, %s or %s", f.Ended, Up, Dropped, Stopped, Cut)
	case every < grid || every > mostEvery || every%grid != 0:
		return fmt.Errorf("every_s %v: want a multiple of %v up to %v", f.EveryS, grid.Seconds(), mostEvery.Seconds())
	case !(f.AfterS >= 0 && f.AfterS <= longest.Seconds()+mostEvery.Seconds()):
		return fmt.Errorf("after_s %v: want 0 to %v", f.AfterS, longest.Seconds())
	}
	return f.checkAmps(every)
}

func (f file) checkAmps(every time.Duration) error {
	if most := int(longest/every) + 1; len(f.Amps) < 1 || len(f.Amps) > most {
		return fmt.Errorf("amps: %d levels, want 1 to %d", len(f.Amps), most)
	}
	for i, a := range f.Amps {
		if a < -mostAmps || a > mostAmps {
			return fmt.Errorf("amps[%d]: %v, want up to %v", i, a, mostAmps)
		}
	}
	if f.Mode != "" {
		_, err := bench.ParseMode(string(f.Mode))
		return err
	}
	return nil
}
