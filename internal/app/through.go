package app

import (
	"fmt"
	"io"
	"maps"
	"slices"

	"benchvigil/internal/bench"
	"benchvigil/internal/recording"
)

// recorded says which recording to read, and which of its stations.
type recorded struct {
	file    string // "-" is standard input
	station string // only this one; empty: all
	stdin   io.Reader
	warn    io.Writer // what was passed over
}

// through gives every observation of a recording to the engine of its station,
// and returns how all its stations are wired. A station that began anew gets
// another engine.
func (r recorded) through(engine func(id string, h bench.Hookup) recording.Engine) (map[string]bench.Hookup, error) {
	in, name, err := openRecording(ReplayOptions{Recording: r.file, Stdin: r.stdin})
	if err != nil {
		return nil, err
	}
	defer in.Close() //nolint:errcheck // read only, or a temporary file
	wiring, err := survey(in, name)
	if err != nil {
		return nil, err
	}
	d, err := recording.NewReader(in, name)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	d.Warn = func(text string) { fmt.Fprintln(r.warn, text) } //nolint:errcheck // a warning that cannot be shown changes nothing
	engines := map[string]recording.Engine{}
	for _, id := range slices.Sorted(maps.Keys(wiring)) {
		if r.station == "" || r.station == id {
			engines[id] = engine(id, wiring[id])
		}
	}
	anew := func(id string, s recording.Stations) recording.Engine { return engine(id, s.Over(wiring[id])) }
	return wiring, recording.Replay(d, engines, anew, func(bench.Event) error { return nil })
}
