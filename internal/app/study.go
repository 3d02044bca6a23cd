package app

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"

	"benchvigil/internal/bench"
	"benchvigil/internal/recording"
	"benchvigil/internal/study"
)

// StudyOptions say what to study and where its outcome goes.
type StudyOptions struct {
	Hours    float64
	Seeds    string // study.Tune or study.Report
	Scenario string // empty: all
	Worst    int    // list so many of the worst cases
	FirstCut string // file of an earlier result to compare with; empty: none
	JSON     string // file for the result; empty: none
	Of       string // what was studied, noted in that file
	Write    string // file with the marker lines between which the table goes; empty: none
	Dump     string // tell this job instead, as a recording
	Out      io.Writer
	Warn     io.Writer
}

// Study measures how far the conclusions of infer can be trusted, and prints
// the table.
func Study(o StudyOptions) error {
	if o.Dump != "" {
		return dumpStudy(o)
	}
	first, err := firstCut(o.FirstCut)
	if err != nil {
		return err
	}
	res, err := study.Run(study.Options{Hours: o.Hours, Seeds: o.Seeds, Scenario: o.Scenario, Workers: runtime.GOMAXPROCS(0)})
	if err != nil {
		return err
	}
	var table bytes.Buffer
	fmt.Fprintf(&table, "`benchvigil study --hours %g --seeds %s`:\n", o.Hours, o.Seeds)
	res.Table(&table, first)
	if _, err := o.Out.Write(table.Bytes()); err != nil {
		return err
	}
	for i, c := range res.Worst {
		if i < o.Worst {
			fmt.Fprintf(o.Out, "%s at %.1f s: %s\n", c.Job, c.Seconds(), c.What) //nolint:errcheck // the table came through
		}
	}
	res.Of = o.Of
	return errors.Join(keepStudy(o.JSON, res), writeStudy(o.Write, table.Bytes()))
}

// firstCut reads an earlier result, if one is asked for.
func firstCut(name string) (*study.Result, error) {
	if name == "" {
		return nil, nil
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("open the first cut's result: %w", err)
	}
	defer f.Close() //nolint:errcheck // read only
	return study.Read(f)
}

func keepStudy(name string, res *study.Result) error {
	if name == "" {
		return nil
	}
	b, err := json.MarshalIndent(res, "", " ")
	if err != nil {
		return fmt.Errorf("encode the result of the study: %w", err)
	}
	if err := os.WriteFile(name, append(b, '\n'), 0o644); err != nil {
		return fmt.Errorf("write the result of the study: %w", err)
	}
	return nil
}

// The lines between which the table belongs.
const (
	studyBegin = "<!-- study:begin -->\n"
	studyEnd   = "<!-- study:end -->\n"
)

func writeStudy(name string, table []byte) error {
	if name == "" {
		return nil
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return fmt.Errorf("read what the table goes into: %w", err)
	}
	text, err = between(text, table)
	if err != nil {
		return fmt.Errorf("write the table into %s: %w", name, err)
	}
	if err := os.WriteFile(name, text, 0o644); err != nil {
		return fmt.Errorf("write the table: %w", err)
	}
	return nil
}

// between puts the table in the place of what stands between the markers.
func between(text, table []byte) ([]byte, error) {
	before, rest, ok := bytes.Cut(text, []byte(studyBegin))
	if !ok {
		return nil, fmt.Errorf("it has no line %q", studyBegin)
	}
	_, after, ok := bytes.Cut(rest, []byte(studyEnd))
	if !ok {
		return nil, fmt.Errorf("it has no line %q behind the first", studyEnd)
	}
	return bytes.Join([][]byte{before, []byte(studyBegin + "\n"), table, []byte("\n" + studyEnd), after}, nil), nil
}

// dumpStudy tells one job as a recording.
func dumpStudy(o StudyOptions) error {
	var w *recording.Writer
	var failed error
	p, err := study.Tell(o.Dump,
		func(h bench.Hookup) {
			w, failed = recording.NewWriter(o.Out, recording.Header{Stations: map[string]recording.Stations{study.Station: recording.Describe(h)}})
		},
		func(ob bench.Observation) {
			if failed == nil {
				failed = w.Write(ob)
			}
		})
	if err := errors.Join(err, failed); err != nil {
		return fmt.Errorf("tell the job %q: %w", o.Dump, err)
	}
	fmt.Fprintf(o.Warn, "its profile is %s\n", p) //nolint:errcheck // a hint
	return nil
}
