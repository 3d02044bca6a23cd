package ledger_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/ledger/powercut"
	"benchvigil/internal/unit"
)

const (
	loadDir    = "BENCHVIGIL_LEDGER_LOAD"
	openDir    = "BENCHVIGIL_LEDGER_OPEN"
	powerCuts  = "BENCHVIGIL_POWER_CUTS"
	mustTrace  = "BENCHVIGIL_MUST_TRACE" // a full run of the tests: no tool may be missing
	loadFolder = "bench/data"            // both made by the ledger
)

func init() {
	children[loadDir] = fill
	children[openDir] = openOnce
}

// The load: stations, how often the ledger is opened, events each time, and
// readings before each event.
const (
	loadStations = 4
	loadPasses   = 3
	loadEvents   = 24
	loadReadings = 6
)

// loadKinds are the events of a station, in turn.
var loadKinds = []bench.EventType{
	bench.RunStarted, bench.WatchArmed, bench.StallRaised, bench.RunRestarted, bench.WatchDone, bench.RunDropped,
}

func loadName(station int) string { return fmt.Sprint("s", station) }

// loadTime is when a station's reading is taken.
func loadTime(n int) time.Time { return start.Add(time.Duration(n) * 100 * time.Millisecond) }

func loadReading(station string, n int) bench.Observation {
	return reading(station, loadTime(n), unit.Current(n))
}

// loadMark comes after the readings of an event, at the same moment as the last.
func loadMark(station string, n int) bench.Observation {
	return bench.Observation{At: loadTime((n+1)*loadReadings - 1), Station: station, Fact: bench.Mark{Kind: bench.MarkNote, Text: strconv.Itoa(n)}}
}

func loadEvent(station string, n int) bench.Event {
	return event(station, loadKinds[n%len(loadKinds)], loadTime((n+1)*loadReadings-1), uint64(n))
}

// fill fills a ledger that it makes, with several stations at once and the
// keeper's work meanwhile, closing and opening it in between. It says each event
// once it is acknowledged. At the end it leaves the ledger open, as a power cut does.
func fill(dir string) error {
	ctx := context.Background()
	for pass := range loadPasses {
		l, err := ledger.Open(ctx, ledger.Options{Dir: filepath.Join(dir, loadFolder), Logger: zap.NewNop()})
		if err != nil {
			return err
		}
		errs := make([]error, loadStations)
		var stations sync.WaitGroup
		for s := range loadStations {
			stations.Go(func() { errs[s] = loadStation(ctx, l, s, pass*loadEvents) })
		}
		stations.Wait()
		if err := errors.Join(errs...); err != nil || pass == loadPasses-1 {
			return err
		}
		if pass == 1 {
			if err := l.Vacuum(ctx); err != nil {
				return err
			}
		}
		if err := l.Close(); err != nil {
			return err
		}
	}
	return nil
}

func loadStation(ctx context.Context, l *ledger.Ledger, s, first int) error {
	name := loadName(s)
	l.Begin(name, loadTime(first*loadReadings), wiring)
	for n := first; n < first+loadEvents; n++ {
		for i := range loadReadings {
			l.Record(loadReading(name, n*loadReadings+i))
		}
		l.Record(loadMark(name, n))
		l.SaveState(name, time.Time{}, []byte(strconv.Itoa(n)))
		e := loadEvent(name, n)
		if err := l.Append(ctx, []bench.Event{e}, ledger.Alert{Key: e.ID(), Station: name, Outlet: "phone", Raised: e.Time, Due: e.Time}); err != nil {
			return err
		}
		// The one write of all that is said: what is acknowledged is known from here on.
		if _, err := fmt.Fprintln(os.Stdout, name, n); err != nil {
			return err
		}
		if err := keep(ctx, l, s, n); err != nil {
			return err
		}
	}
	return nil
}

// keep does what the keeper does, more often than it would.
func keep(ctx context.Context, l *ledger.Ledger, s, n int) error {
	switch {
	case s == 0 && n%7 == 6:
		return l.Checkpoint(ctx)
	case s == 1 && n%11 == 10:
		return l.FoldOnce(ctx)
	}
	return nil
}

// traced runs this binary under strace, doing in a folder what a variable says,
// and returns what it did.
func traced(t *testing.T, variable, root string) (calls []powercut.Call) {
	t.Helper()
	strace, err := exec.LookPath("strace")
	switch {
	case err != nil && os.Getenv(mustTrace) != "":
		t.Fatalf("%v: make setup installs it", err)
	case err != nil:
		t.Skipf("%v: power cuts need strace to see what is written", err)
	}
	trace := filepath.Join(t.TempDir(), "trace")
	cmd := exec.CommandContext(t.Context(), strace, slices.Concat(powercut.Args(), []string{"-o", trace, "--", os.Args[0]})...)
	cmd.Env = append(os.Environ(), variable+"="+root)
	out, err := cmd.CombinedOutput()
	if err != nil && strings.Contains(string(out), "not permitted") {
		t.Skipf("this system lets nobody be traced, so power cuts cannot be tried: %s", out)
	}
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	calls = readTrace(t, root, trace)
	t.Logf("%d calls traced", len(calls))
	return calls
}

// realDir is a folder of the test as strace names it.
func realDir(t *testing.T) string {
	t.Helper()
	root, err := filepath.EvalSymlinks(t.TempDir())
	must(t, err)
	return root
}

func readTrace(t *testing.T, root, trace string) (calls []powercut.Call) {
	t.Helper()
	f, err := os.Open(trace)
	must(t, err)
	defer f.Close() //nolint:errcheck // it was only read
	p := powercut.Parser{Root: root}
	for r := bufio.NewReader(f); ; {
		line, err := r.ReadString('\n')
		if errors.Is(err, io.EOF) {
			return calls
		}
		must(t, err)
		more, err := p.Line(line)
		must(t, err)
		calls = append(calls, more...)
	}
}

// acknowledged follows how many events of each station were said to be safe.
type acknowledged map[string]int

func (a acknowledged) hear(c powercut.Call) {
	for line := range strings.Lines(string(c.Data)) {
		if name, n, ok := strings.Cut(strings.TrimSpace(line), " "); c.Kind == powercut.Say && ok {
			last, _ := strconv.Atoi(n)
			a[name] = last + 1
		}
	}
}

// images gives what power cuts at so many random moments leave, and what was
// acknowledged before. The disk is followed to the end.
func images(t *testing.T, d *powercut.Disk, calls []powercut.Call, rnd *rand.Rand, n int) iter.Seq2[powercut.Image, acknowledged] {
	return func(yield func(powercut.Image, acknowledged) bool) {
		cuts := map[int]int{}
		for range n {
			cuts[rnd.IntN(len(calls)+1)]++
		}
		sure := acknowledged{}
		for i := range len(calls) + 1 {
			for range cuts[i] {
				if !yield(d.Cut(rnd.IntN), maps.Clone(sure)) {
					return
				}
			}
			if i < len(calls) {
				sure.hear(calls[i])
				must(t, d.Do(calls[i]))
			}
		}
	}
}

// laid writes an image into a folder and lets it be looked at: in memory, where
// there is such a place, since nothing of it has to last.
func laid(t *testing.T, img powercut.Image, look func(root string) error) error {
	t.Helper()
	root, err := os.MkdirTemp("/dev/shm", "benchvigil-image")
	if err != nil {
		root, err = os.MkdirTemp(t.TempDir(), "image")
	}
	must(t, err)
	defer os.RemoveAll(root) //nolint:errcheck // a folder of the test
	for _, f := range img.Folders {
		must(t, os.Mkdir(filepath.Join(root, f), 0o700))
	}
	for name, data := range img.Files {
		must(t, os.WriteFile(filepath.Join(root, name), data, 0o600))
	}
	return look(root)
}

// missing says what an image of the loaded run lacks.
func missing(t *testing.T, img powercut.Image, sure acknowledged) error {
	t.Helper()
	return laid(t, img, func(root string) error { return lost(t.Context(), root, sure) })
}

// TestPowerCut cuts the power at random moments of a loaded run. Each time the
// ledger opens without a word of damage, has every acknowledged event once, all
// that was observed before it, and goes on.
func TestPowerCut(t *testing.T) {
	root := realDir(t)
	calls := traced(t, loadDir, root)
	t.Run("nothing is lost", func(t *testing.T) { cutsLoseNothing(t, root, calls) })
	for name, ignore := range map[string]func(string) bool{
		"of everything":   func(string) bool { return true },
		"of the log":      func(file string) bool { return strings.HasSuffix(file, "-wal") },
		"of the database": func(file string) bool { return strings.HasSuffix(file, ".db") },
		"of the folders":  func(file string) bool { return !strings.Contains(filepath.Base(file), ".") },
	} {
		t.Run("what a disk that ignores syncs "+name+" loses is found", func(t *testing.T) {
			d := powercut.NewDisk(root)
			d.Ignore = ignore
			lossesAreFound(t, d, calls)
		})
	}
}

func cutsLoseNothing(t *testing.T, root string, calls []powercut.Call) {
	d := powercut.NewDisk(root)
	seed := uint64(time.Now().UnixNano())
	n, events, began := count(t, powerCuts, 1000), 0, time.Now()
	for img, sure := range images(t, d, calls, rand.New(rand.NewPCG(seed, 0)), n) {
		for _, m := range sure {
			events += m
		}
		if err := missing(t, img, sure); err != nil {
			t.Errorf("seed %d: %v; acknowledged were %v", seed, err, sure)
		}
	}
	if events < n*loadStations {
		t.Errorf("%d events acknowledged before %d cuts: nothing was tried", events, n)
	}
	complete(t, d, root)
	t.Logf("%d power cuts: %d events acknowledged before them, none lost, none twice (%.0f s)", n, events, time.Since(began).Seconds())
}

// lossesAreFound has the same check look at a disk that loses: else it proves
// nothing.
func lossesAreFound(t *testing.T, d *powercut.Disk, calls []powercut.Call) {
	found, tried := 0, 0
	for img, sure := range images(t, d, calls, rand.New(rand.NewPCG(7, 7)), 60) {
		if tried++; missing(t, img, sure) != nil {
			found++
		}
		if found == 3 {
			break
		}
	}
	if found == 0 {
		t.Errorf("nothing found in %d images", tried)
	}
}

// complete looks whether the model saw everything that was done.
func complete(t *testing.T, d *powercut.Disk, root string) {
	t.Helper()
	n := 0
	for name, data := range d.Files() {
		if strings.HasSuffix(name, "-shm") {
			continue // shared memory: SQLite makes it anew
		}
		is, err := os.ReadFile(filepath.Join(root, name))
		must(t, err)
		if n++; !bytes.Equal(is, data) {
			t.Errorf("%s: %d bytes, and not the %d that the trace told of", name, len(is), len(data))
		}
	}
	if n < 3 {
		t.Errorf("%d files: %v", n, slices.Collect(maps.Keys(d.Files())))
	}
}

// lost says what an image lacks.
func lost(ctx context.Context, root string, sure acknowledged) error {
	l, err := ledger.Open(ctx, ledger.Options{Dir: filepath.Join(root, loadFolder), Logger: zap.NewNop()})
	if err != nil {
		return err
	}
	defer l.Close() //nolint:errcheck // what cannot be written shows by the append
	if len(l.Aside()) > 0 {
		return fmt.Errorf("set aside: %v", l.Aside())
	}
	if findings, err := l.Check(ctx); err != nil || len(findings) > 0 {
		return fmt.Errorf("check: %v, %w", findings, err)
	}
	due, err := l.Due(ctx, loadTime(1<<20), 1<<20)
	if err != nil {
		return err
	}
	for s := range loadStations {
		if err := lostOf(ctx, l, loadName(s), sure[loadName(s)], due); err != nil {
			return fmt.Errorf("station %s: %w", loadName(s), err)
		}
	}
	if err := sameViews(ctx, l); err != nil {
		return err
	}
	return l.Append(ctx, []bench.Event{event("s1", bench.StallRaised, start, 1_000_000)})
}

// lostOf says what an image lacks of one station: events and what was observed
// before them are there up to some event, the acknowledged ones at least.
func lostOf(ctx context.Context, l *ledger.Ledger, station string, sure int, due []ledger.Alert) error {
	n := 0
	for e, err := range l.Events(ctx, ledger.Query{Station: station}) {
		if err != nil {
			return err
		}
		if want := loadEvent(station, n); !reflect.DeepEqual(want, e) {
			return fmt.Errorf("event %d: %s", n, cmp.Diff(want, e, comparers...))
		}
		n++
	}
	if n < sure {
		return fmt.Errorf("%d events, %d acknowledged", n, sure)
	}
	readings, err := lostObservations(ctx, l, station, n)
	if err != nil {
		return err
	}
	if err := lostAlerts(due, station, n); err != nil {
		return err
	}
	saved, err := l.State(ctx, station)
	if err != nil || saved == nil {
		return err
	}
	of, err := strconv.Atoi(string(saved.Data))
	if last := (of+1)*loadReadings - 1; err != nil || !saved.At.Equal(loadTime(last)) || last >= readings {
		return fmt.Errorf("state of event %d at %s with %d readings, %w", of, saved.At, readings, err)
	}
	return nil
}

func lostObservations(ctx context.Context, l *ledger.Ledger, station string, events int) (readings int, err error) {
	marks := 0
	for o, err := range l.Observations(ctx, ledger.Query{Station: station}) {
		if err != nil {
			return 0, err
		}
		var want bench.Observation
		if _, mark := o.Fact.(bench.Mark); mark {
			want = loadMark(station, marks)
			marks++
		} else {
			want = loadReading(station, readings)
			readings++
		}
		if o != want {
			return 0, fmt.Errorf("observed %+v, want %+v", o, want)
		}
	}
	if readings < events*loadReadings || marks < events {
		return 0, fmt.Errorf("%d readings and %d marks with %d events", readings, marks, events)
	}
	return readings, nil
}

func lostAlerts(due []ledger.Alert, station string, events int) error {
	n := 0
	for _, a := range due {
		if a.Station != station {
			continue
		}
		if a.Key != loadEvent(station, n).ID() {
			return fmt.Errorf("alert %d is %+v", n, a)
		}
		n++
	}
	if n != events {
		return fmt.Errorf("%d alerts of %d events", n, events)
	}
	return nil
}

// openOnce opens the ledger that is there, adds an event and says so.
func openOnce(dir string) error {
	ctx := context.Background()
	l, err := ledger.Open(ctx, ledger.Options{Dir: filepath.Join(dir, "data"), Logger: zap.NewNop()})
	if err != nil {
		return err
	}
	if err := l.Append(ctx, []bench.Event{newEvent()}); err != nil {
		return err
	}
	if _, err := fmt.Println("new", 0); err != nil {
		return err
	}
	return l.Close()
}

func newEvent() bench.Event { return event("new", bench.StallRaised, start, 1_000_000) }

// TestPowerCutWhileOpening cuts the power while an older ledger is brought up to
// date, and while a damaged one is set aside: the next start finds as much as it
// would have found without.
func TestPowerCutWhileOpening(t *testing.T) {
	for name, from := range map[string]func(*testing.T) string{
		"that is older":   func(*testing.T) string { return filepath.Join("testdata", "version-1") },
		"that is damaged": fifthCutOff,
	} {
		t.Run(name, func(t *testing.T) {
			root, before := realDir(t), from(t)
			must(t, os.CopyFS(filepath.Join(root, "data"), os.DirFS(before)))
			d := powercut.NewDisk(root)
			keepFolder(t, d, root)
			want := copied(t, before)
			calls := traced(t, openDir, root)
			seed := uint64(time.Now().UnixNano())
			for img, sure := range images(t, d, calls, rand.New(rand.NewPCG(seed, 0)), count(t, powerCuts, 200)/10) {
				if err := laid(t, img, func(root string) error { return asMuch(t.Context(), root, want, sure) }); err != nil {
					t.Errorf("seed %d: %v", seed, err)
				}
			}
		})
	}
}

func fifthCutOff(t *testing.T) string {
	t.Helper()
	dir := closed(t)
	change(t, filepath.Join(dir, "ledger.db"), func(b []byte) []byte { return b[:len(b)*4/5] })
	return dir
}

func keepFolder(t *testing.T, d *powercut.Disk, root string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(root, "data", "*"))
	must(t, err)
	for _, f := range files {
		b, err := os.ReadFile(f)
		must(t, err)
		must(t, d.Keep(f, b))
	}
}

// copied opens a copy of a folder and says what there is.
func copied(t *testing.T, from string) []any {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "data")
	must(t, os.CopyFS(dir, os.DirFS(from)))
	all, err := holds(t.Context(), open(t, dir))
	must(t, err)
	if len(all) < 10 {
		t.Fatalf("only %v: nothing to lose", all)
	}
	return all
}

// holds is what a ledger holds but for the new event.
func holds(ctx context.Context, l *ledger.Ledger) (out []any, err error) {
	for e, err := range l.Events(ctx, ledger.Query{}) {
		if err != nil {
			return nil, err
		}
		if e.Station != newEvent().Station {
			out = append(out, e)
		}
	}
	for o, err := range l.Observations(ctx, ledger.Query{}) {
		if err != nil {
			return nil, err
		}
		out = append(out, o)
	}
	v, err := views(ctx, l)
	return append(out, v...), err
}

// asMuch says what an image lacks of what was there, and of what was
// acknowledged since.
func asMuch(ctx context.Context, root string, want []any, sure acknowledged) (err error) {
	l, err := ledger.Open(ctx, ledger.Options{Dir: filepath.Join(root, "data"), Logger: zap.NewNop()})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	got, err := holds(ctx, l)
	if err != nil {
		return err
	}
	if !reflect.DeepEqual(want, got) {
		return fmt.Errorf("%d facts and views, want the %d that there were", len(got), len(want))
	}
	fresh := 0
	for _, err := range l.Events(ctx, ledger.Query{Station: newEvent().Station}) {
		if fresh++; err != nil {
			return err
		}
	}
	if fresh < sure["new"] {
		return errors.New("the event that was acknowledged is lost")
	}
	findings, err := l.Check(ctx)
	if len(findings) > 0 {
		err = fmt.Errorf("check: %v", findings)
	}
	return err
}
