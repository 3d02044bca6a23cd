package app

import (
	"bytes"
	"compress/gzip"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/configs"
	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
	"benchvigil/internal/ledger"
	"benchvigil/internal/profile"
	"benchvigil/internal/recording"
	"benchvigil/internal/trace"
	"benchvigil/internal/unit"
)

// pastStart is when the boards of these tests were watched first.
var pastStart = time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)

// past is a ledger with one station, its readings made up, and the archive of
// it. The clock stands after the last reading.
type past struct {
	*archive
	l    *ledger.Ledger
	dir  string
	step time.Duration
	amps []int64 // µA, one each step
}

func newPast(t testing.TB, step, lasts time.Duration, amps func(i int) int64) *past {
	t.Helper()
	handset, err := profile.Load(configs.Profiles(), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	l, err := ledger.Open(context.Background(), ledger.Options{Dir: dir, Logger: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	r, err := ledger.OpenReader(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(r.Close(), l.Close()); err != nil {
			t.Error(err)
		}
	})
	p := &past{l: l, dir: dir, step: step}
	wired := bench.Hookup{Path: bench.FromSupply}
	l.Begin("s1", pastStart, ledger.Wiring{Bench: "demo", Hookup: wired, Profile: handset.Name})
	for i := range int(lasts / step) {
		p.amps = append(p.amps, amps(i))
		l.Record(bench.Observation{At: pastStart.Add(time.Duration(i) * step), Station: "s1", Fact: bench.Power{
			Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(unit.Current(p.amps[i])),
		}})
		if time.Duration(i)*step%(30*time.Second) == 0 {
			if err := l.Flush(context.Background()); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := l.Flush(context.Background()); err != nil {
		t.Fatal(err)
	}
	plans := []StationPlan{{ID: "s1", Name: "first", Hookup: wired, Profile: handset}}
	p.archive = &archive{
		r: r, flush: l.Flush, stations: func() []StationPlan { return plans }, now: func() time.Time { return pastStart.Add(lasts) },
		traces: func(string) string { return dir }, looks: make(chan struct{}, looksAtOnce),
	}
	return p
}

// Whatever the zoom, a chart shows the extremes of every column, of readings or
// of roll-ups, and the newest seconds, which are in no block yet.
func TestChartKeepsExtremes(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	p := newPast(t, 100*time.Millisecond, 40*time.Minute, func(int) int64 { return int64(rnd.IntN(900)) * 1000 })
	for _, tt := range []struct {
		from, long time.Duration
		points     int
		step       int64 // 0: readings
	}{
		{0, 40 * time.Minute, 100, 24_000},
		{13*time.Minute + 7*time.Millisecond, 20 * time.Minute, 1000, 2_000},
		{39 * time.Minute, time.Minute, 400, 0},
		{39 * time.Minute, time.Minute, 100, 600},
		{39*time.Minute + 59*time.Second, time.Second, 100, 0},
	} {
		from := pastStart.Add(tt.from)
		c, err := p.Chart(t.Context(), "s1", from, from.Add(tt.long), tt.points)
		if err != nil {
			t.Fatal(err)
		}
		name := fmt.Sprintf("%v from %v", tt.long, tt.from)
		if c.StepMS != tt.step || len(c.Channels) != 2 || c.Channels[0].Name != chart.Amps {
			t.Errorf("%s: step %d, want %d, of %d channels", name, c.StepMS, tt.step, len(c.Channels))
			continue
		}
		if len(c.Gaps) > 0 {
			t.Errorf("%s: gaps %v", name, c.Gaps)
		}
		p.compareColumns(t, name, &c)
	}
}

func (p *past) compareColumns(t *testing.T, name string, c *chart.Chart) {
	t.Helper()
	amps := c.Channels[0]
	seen := 0
	for i, at := range amps.T {
		at += c.From
		lo, hi := int64(math.MaxInt64), int64(math.MinInt64)
		for k, x := range p.amps {
			if when := pastStart.UnixMilli() + int64(k)*p.step.Milliseconds(); when >= at && when < at+max(c.StepMS, 1) {
				lo, hi = min(lo, x), max(hi, x)
				seen++
			}
		}
		if c.StepMS == 0 && amps.V[i] != lo || c.StepMS > 0 && (amps.Min[i] != lo || amps.Max[i] != hi || amps.Mean[i] < lo || amps.Mean[i] > hi) {
			t.Fatalf("%s: column %d is wrong, want %d to %d", name, i, lo, hi)
		}
	}
	if want := int(min(c.To-c.From, p.now().UnixMilli()-c.From) / p.step.Milliseconds()); seen < want {
		t.Errorf("%s: %d readings are shown, want %d", name, seen, want)
	}
}

// A question that would take too long is refused in words, at once or in time.
func TestArchiveRefuses(t *testing.T) {
	p := newPast(t, time.Second, time.Minute, func(int) int64 { return 0 })
	at := pastStart
	for _, tt := range []struct {
		name string
		ask  func() error
		kind error
		says string
	}{
		{"ten years", func() error { _, err := p.Chart(t.Context(), "s1", at, at.AddDate(10, 0, 0), 1000); return err }, chart.ErrAsked, "31 days"},
		{"backwards", func() error { _, err := p.Chart(t.Context(), "s1", at, at.Add(-1), 1000); return err }, chart.ErrAsked, "not after"},
		{"too many points", func() error { _, err := p.Chart(t.Context(), "s1", at, at.Add(1e9), 4001); return err }, chart.ErrAsked, "100 to 4000"},
		{"nobody", func() error { _, err := p.Chart(t.Context(), "s9", at, at.Add(1e9), 400); return err }, chart.ErrNothing, "s9"},
		{"a wrong cursor", func() error { _, err := p.Runs(t.Context(), chart.HistoryQuery{Cursor: "?"}); return err }, chart.ErrAsked, "cursor"},
		{"an outcome of watches", func() error { _, err := p.Runs(t.Context(), chart.HistoryQuery{Outcome: "armed"}); return err }, chart.ErrAsked, "dropped"},
		{"too long a page", func() error { _, err := p.Runs(t.Context(), chart.HistoryQuery{Limit: 501}); return err }, chart.ErrAsked, "500"},
		{"no such run", func() error { _, err := p.Compare(t.Context(), "a", "b", 400); return err }, chart.ErrNothing, `no run "a"`},
		{"no start", func() error { _, err := p.Signature(t.Context(), "s1"); return err }, chart.ErrNothing, "not seen to start"},
		{"nothing then", func() error {
			return p.Recording(t.Context(), new(bytes.Buffer), "s1", at.Add(time.Hour), at.Add(2*time.Hour))
		}, chart.ErrNothing, "nothing"},
		{"out of time", func() error {
			return p.within(t.Context(), time.Nanosecond, func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() })
		}, chart.ErrBusy, "shorter"},
	} {
		if err := tt.ask(); !errors.Is(err, tt.kind) || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v, want %v with %q", tt.name, err, tt.kind, tt.says)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for range looksAtOnce {
		p.looks <- struct{}{}
	}
	if err := p.within(ctx, time.Second, func(context.Context) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("whoever goes while others ask gets %v", err)
	}
}

// A board that was started and dropped: its runs, its start and the recording
// of it are found again.
func TestArchiveOfRuns(t *testing.T) {
	p := newPast(t, 100*time.Millisecond, 3*time.Minute, func(i int) int64 {
		switch s := i / 10 % 90; {
		case s < 5:
			return 0
		case s < 25:
			return 600_000
		case s < 80:
			return 300_000
		}
		return 0
	})
	at := func(s int) time.Time { return pastStart.Add(time.Duration(s) * time.Second) }
	count := uint64(0)
	happens := func(kind bench.EventType, s int, d bench.EventData) bench.Event {
		count++
		return bench.Event{Station: "s1", Type: kind, Time: at(s), Concluded: at(s), Count: count, Data: d}
	}
	var events []bench.Event
	for _, begin := range []int{5, 95} {
		events = append(events,
			happens(bench.RunStarted, begin, bench.EventData{}),
			happens(bench.ModeChanged, begin, bench.EventData{From: bench.Off, To: bench.Starting}),
			happens(bench.ModeChanged, begin+20, bench.EventData{From: bench.Starting, To: bench.Running}),
			happens(bench.RunDropped, begin+75, bench.EventData{Kind: bench.Died, Uptime: unit.Some(75 * time.Second)}),
			happens(bench.ModeChanged, begin+75, bench.EventData{From: bench.Running, To: bench.Off}))
	}
	p.l.Record(bench.Observation{At: at(6), Station: "s1", Fact: bench.Mark{Kind: bench.MarkCase, Text: "2417", By: "kim"}})
	if err := p.l.Append(t.Context(), events); err != nil {
		t.Fatal(err)
	}
	page, err := p.Runs(t.Context(), chart.HistoryQuery{Limit: 1})
	if err != nil || len(page.Items) != 1 || page.Next == "" {
		t.Fatalf("%+v, %v", page, err)
	}
	rest, err := p.Runs(t.Context(), chart.HistoryQuery{Limit: 1, Cursor: page.Next})
	if err != nil || len(rest.Items) != 1 || rest.Next != "" {
		t.Fatalf("%+v, %v", rest, err)
	}
	newer, older := page.Items[0], rest.Items[0]
	if !newer.Began.Equal(at(95)) || newer.Case != "2417" || newer.Name != "first" || newer.Lasted() != 75*time.Second || newer.Outcome != "dropped" {
		t.Errorf("%+v", newer)
	}
	s, err := p.Survival(t.Context(), "s1")
	if err != nil || len(s.Runs) != 2 || len(s.Steps) != 1 || s.Steps[0].AtS != 55 || s.Steps[0].Share != 0 || s.From != "started" || s.WindowS != 210 {
		t.Errorf("%+v, %v", s, err)
	}
	start, err := p.Signature(t.Context(), "s1")
	if err != nil || start.Run != newer.ID || len(start.Current.T) < 200 || start.Current.V[0] != 600_000 || start.Note == "" {
		t.Errorf("%+v, %v", start, err)
	}
	c, err := p.Compare(t.Context(), newer.ID, older.ID, 1000)
	if err != nil || c.StepMS != 0 || len(c.A.Channels) != 2 || c.A.Channels[0].T[0] != 0 || c.B.Channels[0].T[0] != 0 || c.A.Channels[0].V[0] != 600_000 {
		t.Errorf("%+v, %v", c, err)
	}
	if c, err = p.Compare(t.Context(), newer.ID, older.ID, 100); err != nil || c.StepMS != 751 && c.StepMS != 750 || len(c.A.Modes) != 2 || c.A.Modes[1].From != 20_000 {
		t.Errorf("%+v, %v", c, err)
	}
	drawn, err := p.Chart(t.Context(), "s1", at(0), at(180), 1000)
	if err != nil || len(drawn.Runs) != 2 || drawn.Runs[0].From != at(5).UnixMilli() || drawn.Runs[0].To != at(80).UnixMilli() || len(drawn.Modes) != 7 {
		t.Errorf("runs %+v, modes %+v, %v", drawn.Runs, drawn.Modes, err)
	}
	marked := false
	for _, m := range drawn.Events {
		marked = marked || m.Type == "mark.case" && m.By == "kim" && m.At == at(6).UnixMilli()
	}
	if !marked || len(drawn.Events) != 5 {
		t.Errorf("the mark is not among %v", drawn.Events)
	}
	var lines bytes.Buffer
	if err := p.Recording(t.Context(), &lines, "s1", at(0), at(100)); err != nil {
		t.Fatal(err)
	}
	d, err := recording.NewReader(&lines, "recording")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if wiring, err := recording.Survey(d); err != nil || wiring["s1"].Path != bench.FromSupply {
		t.Errorf("%v, %v", wiring, err)
	}
	var csv bytes.Buffer
	if err := p.Trace(t.Context(), &csv, "s1", at(5), at(6), false); err != nil || !strings.HasPrefix(csv.String(), "at,volts,amps\n2026-03-02T21:00:05.000Z,3.8,0.6\n") {
		t.Errorf("%q, %v", csv.String(), err)
	}
}

// What was not watched, and what is kept no more, are gaps that say so.
func TestChartGaps(t *testing.T) {
	p := newPast(t, time.Second, 20*time.Minute, func(i int) int64 { return int64(i) })
	silent := p.now()
	at := func(s int) time.Time { return silent.Add(time.Duration(s) * time.Second) }
	p.l.Record(bench.Observation{At: at(300), Station: "s1", Fact: bench.Clock{Gap: 299 * time.Second}})
	for i := 300; i < 360; i++ {
		p.l.Record(bench.Observation{At: at(i), Station: "s1", Fact: bench.Power{Amps: unit.Some(unit.Current(i))}})
	}
	if err := p.l.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	p.archive.now = func() time.Time { return at(360) }
	for _, points := range []int{100, 4000} {
		c, err := p.Chart(t.Context(), "s1", at(-60), at(360), points)
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Gaps) != 1 || c.Gaps[0].Why != "nobody watched" || c.Gaps[0].From > at(5).UnixMilli() || c.Gaps[0].To < at(300).UnixMilli() {
			t.Errorf("%d points: gaps %+v", points, c.Gaps)
		}
		nulls := 0
		for i := range c.Channels[0].T {
			if v := append(c.Channels[0].V, c.Channels[0].Min...); v[i] == chart.Absent {
				nulls++
			}
		}
		if nulls != 1 {
			t.Errorf("%d points: %d nulls in the line, want 1", points, nulls)
		}
	}
}

// BenchmarkChart draws twelve hours in 1,500 columns.
func BenchmarkChart(b *testing.B) {
	for _, hz := range []int{10, 100} {
		b.Run(fmt.Sprintf("%dHz", hz), func(b *testing.B) {
			p := newPast(b, time.Second, 2*time.Second, func(int) int64 { return 0 })
			p.store(b, hz, 12*time.Hour)
			var text []byte
			for b.Loop() {
				c, err := p.Chart(b.Context(), "s1", pastStart, p.now(), 1500)
				if err != nil {
					b.Fatal(err)
				}
				if text, err = json.Marshal(c); err != nil {
					b.Fatal(err)
				}
			}
			var packed bytes.Buffer
			z := gzip.NewWriter(&packed)
			_, _ = z.Write(text)
			_ = z.Close()
			b.ReportMetric(float64(len(text))/1e3, "kB")
			b.ReportMetric(float64(packed.Len())/1e3, "kB-gzip")
			if len(text) > 300_000 {
				b.Errorf("%d bytes, at most 300,000 are wanted", len(text))
			}
		})
	}
}

// store puts blocks and roll-ups of a minute each into the ledger, as the keeper
// makes them in the course of the time.
func (p *past) store(b *testing.B, hz int, lasts time.Duration) {
	b.Helper()
	db, err := sql.Open("sqlite3", filepath.Join(p.dir, "ledger.db")+"?_busy_timeout=5000")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close() //nolint:errcheck // a test
	tx, err := db.BeginTx(b.Context(), nil)
	if err != nil {
		b.Fatal(err)
	}
	rnd, level := rand.New(rand.NewPCG(uint64(hz), 3)), 240.0
	for minute := range int(lasts / time.Minute) {
		points := make([]trace.Point, 60*hz)
		for i := range points {
			if rnd.IntN(3000) == 0 {
				level = []float64{0, 3, 95, 420, 85, 240, 1480, 650}[rnd.IntN(8)]
			}
			amps := math.Round(max(0, level+0.05*level*rnd.NormFloat64()+1.5*rnd.NormFloat64()))
			points[i] = trace.Point{
				At:    pastStart.UnixMilli() + int64(minute)*60_000 + int64(i)*1000/int64(hz),
				Known: 1<<trace.Volts | 1<<trace.Amps, Values: [5]int64{trace.Volts: int64(math.Round(3801-0.02*amps+0.4*rnd.NormFloat64())) * 1000, trace.Amps: int64(amps) * 1000},
			}
		}
		block, errBlock := trace.Encode(points)
		rolled, errRolled := trace.EncodeRollups(trace.Rollups(points))
		_, errAdd := tx.Exec(`INSERT INTO block (id, channel, stretch, start, end, points, data) VALUES (?, 1, 1, ?, ?, ?, ?)`,
			1000+minute, points[0].At, points[len(points)-1].At, len(points), block)
		_, errSum := tx.Exec(`INSERT INTO rollup (id, data) VALUES (?, ?)`, 1000+minute, rolled)
		if err := errors.Join(errBlock, errRolled, errAdd, errSum); err != nil {
			b.Fatal(err)
		}
	}
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
	p.archive.now = func() time.Time { return pastStart.Add(lasts) }
}
