package app

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/ledger"
	"benchvigil/internal/profile"
	"benchvigil/internal/recording"
)

// ReplayOptions say what to replay and as what.
type ReplayOptions struct {
	Recording string        // file, "-" is standard input
	Profile   string        // file of the profile
	Station   string        // only this one; empty: all
	Window    time.Duration // 0: the profile's
	Goal      string        // armed at the first observation of each station; empty: none
	LearnFrom string        // file of events or ledger of earlier watches; empty: none
	Stdin     io.Reader
	Out       io.Writer // events, one a line, nothing else
	Warn      io.Writer // what was passed over

	learnt infer.Learnt
}

// Replay reads a recording through infer and writes its events.
func Replay(o ReplayOptions) error {
	if o.Goal != "" {
		if _, err := bench.ParseGoal(o.Goal); err != nil {
			return fmt.Errorf("%w: --goal: %w", ErrCommand, err)
		}
	}
	p, err := loadProfile(o.Profile)
	if err != nil {
		return err
	}
	if o.learnt, err = o.learn(p); err != nil {
		return err
	}
	in, name, err := openRecording(o)
	if err != nil {
		return err
	}
	defer in.Close() //nolint:errcheck // read only, or a temporary file
	wiring, err := survey(in, name)
	if err != nil {
		return err
	}
	return replay(o, p, in, name, wiring)
}

// learn reads what the work of earlier watches taught.
func (o ReplayOptions) learn(p *profile.Profile) (infer.Learnt, error) {
	if o.LearnFrom == "" {
		return infer.Learnt{}, nil
	}
	var m memory
	if isFolder(o.LearnFrom) {
		err := m.recallFolder(o.LearnFrom)
		return m.learnt(p.Name), err
	}
	torn, err := m.recallFile(o.LearnFrom)
	if err != nil {
		return infer.Learnt{}, fmt.Errorf("%w: %w", ErrUnreadable, err)
	}
	if torn > 0 {
		fmt.Fprintf(o.Warn, "%s: %d lines are no events: passed over\n", o.LearnFrom, torn) //nolint:errcheck // a warning that cannot be shown changes nothing
	}
	return m.learnt(p.Name), nil
}

// recallFolder is recall of a ledger, as a watch that keeps it does.
func (m *memory) recallFolder(name string) error {
	if _, err := m.recallFile(filepath.Join(name, earlierEvents)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: %w", ErrUnreadable, err)
	}
	return reading(context.Background(), name, func(r *ledger.Reader) error {
		if err := m.recallLedger(r); err != nil {
			return fmt.Errorf("%w: %s: %w", ErrLedger, name, err)
		}
		return nil
	})
}

func isFolder(name string) bool {
	info, err := os.Stat(name)
	return err == nil && info.IsDir()
}

func replay(o ReplayOptions, p *profile.Profile, in io.Reader, name string, wiring map[string]bench.Hookup) error {
	d, err := recording.NewReader(in, name)
	if err != nil {
		return err
	}
	defer d.Close()
	d.Warn = func(text string) { fmt.Fprintln(o.Warn, text) } //nolint:errcheck // a warning that cannot be shown changes nothing
	engines, err := replayEngines(o, p, wiring)
	if err != nil {
		return err
	}
	h, _ := d.Header()
	benchName := h.Bench
	if benchName == "" {
		benchName = "bench"
	}
	out := bufio.NewWriter(o.Out)
	anew := func(id string, s recording.Stations) recording.Engine {
		return o.engine(p, id, s.Over(wiring[id]))
	}
	err = recording.Replay(d, engines, anew, func(e bench.Event) error {
		b, err := e.CloudEvent(benchName)
		if err != nil {
			return err
		}
		_, err = out.Write(append(b, '\n'))
		return err
	})
	return errors.Join(err, out.Flush())
}

func replayEngines(o ReplayOptions, p *profile.Profile, wiring map[string]bench.Hookup) (map[string]recording.Engine, error) {
	engines := map[string]recording.Engine{}
	for id, h := range wiring {
		if o.Station == "" || o.Station == id {
			engines[id] = o.engine(p, id, h)
		}
	}
	if o.Station != "" && len(engines) == 0 {
		return nil, fmt.Errorf("%w: no station %q in it: there are %s", ErrUnreadable, o.Station,
			strings.Join(slices.Sorted(maps.Keys(wiring)), ", "))
	}
	return engines, nil
}

// engine is what draws the conclusions of a station.
func (o ReplayOptions) engine(p *profile.Profile, id string, h bench.Hookup) recording.Engine {
	e := infer.New(p, infer.Station{ID: id, Hookup: h, Window: o.Window, Learnt: o.learnt})
	if o.Goal == "" {
		return e
	}
	return &arming{Engine: e, goal: o.Goal}
}

// arming arms a goal together with the first observation.
type arming struct {
	*infer.Engine
	goal  string
	armed bool
}

func (a *arming) Step(o bench.Observation) []bench.Event {
	if a.armed {
		return a.Engine.Step(o)
	}
	a.armed = true
	arm := bench.Mark{Kind: bench.MarkArm, By: "replay", Text: a.goal}
	first := slices.Clone(a.Engine.Step(bench.Observation{At: o.At, Station: o.Station, Fact: arm}))
	return append(first, a.Engine.Step(o)...)
}

// survey reads the recording once to see how its stations are wired, and goes
// back to its beginning. What cannot be read is told by the replay itself,
// after the events before it.
func survey(in io.ReadSeeker, name string) (map[string]bench.Hookup, error) {
	d, err := recording.NewReader(in, name)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	wiring, err := recording.Survey(d)
	if err != nil && !errors.Is(err, ErrUnreadable) {
		return nil, err
	}
	if _, err := in.Seek(0, io.SeekStart); err != nil {
		return nil, fmt.Errorf("read %s again: %w", name, err)
	}
	return wiring, nil
}

// openRecording opens the file; standard input is copied into a temporary file
// that is gone when it is closed, because it is read twice.
func openRecording(o ReplayOptions) (*os.File, string, error) {
	if o.Recording != "-" {
		f, err := os.Open(o.Recording)
		if err != nil {
			return nil, "", fmt.Errorf("%w: %w", ErrUnreadable, err)
		}
		return f, o.Recording, nil
	}
	f, err := os.CreateTemp("", "benchvigil-replay-*")
	if err != nil {
		return nil, "", fmt.Errorf("keep standard input: %w", err)
	}
	_ = os.Remove(f.Name()) // where an open file cannot be removed it stays in the temporary folder
	if _, err := io.Copy(f, o.Stdin); err != nil {
		return nil, "", errors.Join(fmt.Errorf("read standard input: %w", err), f.Close())
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, "", errors.Join(fmt.Errorf("read standard input: %w", err), f.Close())
	}
	return f, "standard input", nil
}
