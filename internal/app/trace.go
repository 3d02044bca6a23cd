package app

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/recording"
	"benchvigil/internal/signature"
)

// TraceOptions say which starts of a recording to look at.
type TraceOptions struct {
	Recording string // file, "-" is standard input
	Profile   string // file of the profile
	Station   string // only this one; empty: all
	Run       int    // only this start of each station; 0: all
	JSON      bool
	Stdin     io.Reader
	Out       io.Writer
	Warn      io.Writer // what was passed over
}

// ShowTraces prints the table of steps of each start.
func ShowTraces(o TraceOptions) error {
	_, starts, err := o.starts()
	if err != nil {
		return err
	}
	return o.print(starts, nil)
}

// TraceSaveOptions say which start to save as what.
type TraceSaveOptions struct {
	TraceOptions
	References string // folder; empty: beside the profile
	Name       string // "known good", or the fault
	Fault      bool   // the name is that of a fault
}

// SaveTrace saves one start as a reference.
func SaveTrace(o TraceSaveOptions) error {
	if err := signature.CheckName(o.Name); err != nil {
		return fmt.Errorf("%w: %w", ErrCommand, err)
	}
	family, starts, err := o.starts()
	if err != nil {
		return err
	}
	if len(starts) != 1 {
		return fmt.Errorf("%w: %s has %d starts: say which one by --station and --run (trace show lists them)", ErrCommand, o.Recording, len(starts))
	}
	s := starts[0]
	if s.Err != nil {
		return fmt.Errorf("%w: run %d of station %s: %w", ErrUnreadable, s.Run, s.Station, s.Err)
	}
	r := signature.Reference{
		Kind: signature.Good, Name: o.Name, Profile: family, VBUS: s.VBUS, Taken: s.At, Station: s.Station, Trace: s.Trace,
	}
	if o.Fault {
		r.Kind = signature.Fault
	}
	file, err := saveReference(o.references(o.References, family), r)
	if err != nil {
		return fmt.Errorf("%w: save the reference: %w", ErrRecord, err)
	}
	_, err = fmt.Fprintf(o.Out, "saved %s: %s, run %d of station %s, %s\n", file, called(r), s.Run, s.Station, howItEnded(s))
	return err
}

// TraceCompareOptions say which starts to compare with which references.
type TraceCompareOptions struct {
	TraceOptions
	References string // folder; empty: beside the profile
}

// CompareTraces says for each start which references are nearest.
func CompareTraces(o TraceCompareOptions) error {
	family, starts, err := o.starts()
	if err != nil {
		return err
	}
	dir := o.references(o.References, family)
	all, err := loadReferences(dir, family, o.Warn)
	if err != nil {
		return err
	}
	if len(all) == 0 {
		return fmt.Errorf(`%w: no references for %s in %s: save a start that you know, as with benchvigil trace save --profile %s --run 1 --as "known good" %s`,
			ErrConfig, family, dir, o.Profile, o.Recording)
	}
	return o.print(starts, func(s signature.Start) compared { return compareStart(s, all) })
}

// references is the folder of the family's references: traces/NAME beside the
// profile, unless somebody names another.
func (o TraceOptions) references(named, family string) string {
	if named != "" {
		return named
	}
	file := o.Profile
	if _, found, _, err := namedProfile(o.Profile); err == nil {
		file = found
	}
	return filepath.Join(filepath.Dir(file), "traces", fileName(family))
}

// starts finds the starts that are asked for, in the order in which they were
// complete, and names the family.
func (o TraceOptions) starts() (family string, found []signature.Start, err error) {
	p, err := loadProfile(o.Profile)
	if err != nil {
		return "", nil, err
	}
	runs := map[string]int{} // also over a station that begins anew
	tell := func(s signature.Start) {
		runs[s.Station]++
		s.Run = runs[s.Station]
		if o.Run == 0 || o.Run == s.Run {
			found = append(found, s)
		}
	}
	r := recorded{file: o.Recording, station: o.Station, stdin: o.Stdin, warn: o.Warn}
	wiring, err := r.through(func(id string, h bench.Hookup) recording.Engine {
		return signature.Find(p, infer.Station{ID: id, Hookup: h}, tell)
	})
	if err != nil {
		return "", nil, err
	}
	return p.Name, found, o.missing(wiring, runs, len(found))
}

// missing says why there is nothing to look at.
func (o TraceOptions) missing(wiring map[string]bench.Hookup, runs map[string]int, found int) error {
	_, there := wiring[o.Station]
	most := 0
	for _, n := range runs {
		most = max(most, n)
	}
	switch {
	case o.Station != "" && !there:
		return fmt.Errorf("%w: no station %q in it: there are %s", ErrUnreadable, o.Station, strings.Join(slices.Sorted(maps.Keys(wiring)), ", "))
	case found > 0:
		return nil
	case most == 0:
		return fmt.Errorf("%w: no start in %s: it must show the board without current before, and readings of its supply", ErrUnreadable, o.Recording)
	}
	return fmt.Errorf("%w: no run %d in %s: the last is run %d", ErrCommand, o.Run, o.Recording, most)
}

// saveReference writes the reference to a new file and returns its name.
func saveReference(dir string, r signature.Reference) (string, error) {
	var b strings.Builder
	if err := r.Write(&b); err != nil {
		return "", err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil { //nolint:gosec // no secret, as the profiles beside it
		return "", err
	}
	base := fileName(r.Name)
	if r.Kind == signature.Fault {
		base = "fault-" + base
	}
	name := filepath.Join(dir, base+".json")
	for n := 2; ; n++ {
		if _, err := os.Lstat(name); errors.Is(err, os.ErrNotExist) {
			return name, writeNew(name, []byte(b.String()))
		}
		name = filepath.Join(dir, fmt.Sprintf("%s-%d.json", base, n))
	}
}

// fileName is a name as a file's: letters, digits and hyphens.
func fileName(s string) string {
	words := strings.FieldsFunc(strings.ToLower(s), func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < '0' || r > '9')
	})
	if len(words) == 0 {
		return "trace"
	}
	return strings.Join(words, "-")
}

// loadReferences reads the references of a family, in the order of their files.
// What is no reference, or another family's, is passed over with a word.
func loadReferences(dir, family string, warn io.Writer) ([]signature.Reference, error) {
	files, err := filepath.Glob(filepath.Join(dir, "*.json"))
	if err != nil {
		return nil, fmt.Errorf("%w: references: %w", ErrConfig, err)
	}
	var out []signature.Reference
	for _, name := range files {
		r, err := loadReference(name)
		switch {
		case err != nil:
			fmt.Fprintf(warn, "passed over: %v\n", err) //nolint:errcheck // a warning that cannot be shown changes nothing
		case r.Profile != family:
			fmt.Fprintf(warn, "passed over: %s: it is of the profile %s, not %s\n", name, r.Profile, family) //nolint:errcheck // the same
		default:
			out = append(out, r)
		}
	}
	return out, nil
}

func loadReference(name string) (signature.Reference, error) {
	f, err := os.Open(name)
	if err != nil {
		return signature.Reference{}, err
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	return signature.ReadReference(f, name)
}

// compared is a start beside the references.
type compared struct {
	matches []signature.Match
	other   int // references that do not fit, because bus power fed the board there and not here, or the reverse
}

func compareStart(s signature.Start, all []signature.Reference) compared {
	if s.Err != nil {
		return compared{}
	}
	alike := slices.Clone(all)
	alike = slices.DeleteFunc(alike, func(r signature.Reference) bool { return r.VBUS != s.VBUS })
	return compared{signature.Compare(s.Trace, alike), len(all) - len(alike)}
}

// called is the name of a reference in a sentence.
func called(r signature.Reference) string {
	if r.Kind == signature.Fault {
		return fmt.Sprintf("fault %q", r.Name)
	}
	return r.Name
}

// howItEnded says how a start ended.
func howItEnded(s signature.Start) string {
	after := fmt.Sprintf("%.1f s", s.Trace.After.Seconds())
	switch {
	case s.Trace.End == signature.Up && s.Trace.Mode == bench.Unknown:
		return "no longer starting after " + after + ", in no known mode"
	case s.Trace.End == signature.Up:
		return fmt.Sprintf("up in %s after %s", s.Trace.Mode, after)
	case s.Trace.End == signature.Dropped:
		return "dropped after " + after
	case s.Trace.End == signature.Stopped:
		return "stopped by a person after " + after
	case s.Gap:
		return "no readings after " + after
	}
	return "not seen to its end, cut after " + after
}

func stamp(t time.Time) string { return t.UTC().Format(bench.TimeFormat) }
