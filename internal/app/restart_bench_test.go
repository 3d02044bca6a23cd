package app

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/station"
	"benchvigil/internal/unit"
)

// How large a ledger BenchmarkRestart begins on: days of 40 stations with 20
// runs each, and MB of traces.
const (
	daysEnv = "BENCHVIGIL_RESTART_DAYS"
	megaEnv = "BENCHVIGIL_RESTART_MB"
)

func setting(b *testing.B, name string, usual int) int {
	b.Helper()
	s := os.Getenv(name)
	if s == "" {
		return usual
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		b.Fatal(name, err)
	}
	return n
}

// BenchmarkRestart is how long a watch of forty stations takes from its start
// until it is ready, with all of them taken up, on an old ledger. Its bulk is
// made by the database itself: rows that nobody reads, of the size of true ones.
func BenchmarkRestart(b *testing.B) {
	p := &Plan{Bench: "b", Listen: "127.0.0.1:0", Data: b.TempDir(), Logger: zap.NewNop()}
	handset, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		b.Fatal(err)
	}
	for i := range 40 {
		p.Stations = append(p.Stations, StationPlan{ID: fmt.Sprint("s", i+1), Profile: handset, Hookup: bench.Hookup{Path: bench.FromSupply}})
	}
	watchedForAWhile(b, p)
	days, mega := setting(b, daysEnv, 30), setting(b, megaEnv, 100)
	swell(b, p.Data, days, mega)
	watchedForAWhile(b, p)
	var spent time.Duration
	for b.Loop() {
		ctx, cancel := context.WithCancel(b.Context())
		ready := time.Time{}
		taken := 0
		began := time.Now()
		p.Logger = zap.New(zapcore.NewCore(zapcore.NewJSONEncoder(zapcore.EncoderConfig{}), zapcore.AddSync(discard{}), zapcore.InfoLevel)).WithOptions(
			zap.Hooks(func(e zapcore.Entry) error {
				switch e.Message {
				case "watching":
					ready = time.Now()
					cancel()
				case "the watch of before is not taken up, the station begins anew":
					taken--
				}
				return nil
			}))
		if err := Run(ctx, p); err != nil || ready.IsZero() || taken != 0 {
			b.Fatal(err, ready, taken)
		}
		cancel()
		spent += ready.Sub(began)
	}
	b.ReportMetric(float64(spent.Milliseconds())/float64(b.N), "ms/ready")
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }

// watchedForAWhile leaves watches of twenty seconds after the last state, at 100
// readings a second, and two thousand events.
func watchedForAWhile(b *testing.B, p *Plan) {
	b.Helper()
	r, err := openRecord(p)
	if err != nil {
		b.Fatal(err)
	}
	a := &assembly{plan: p, record: r}
	now := time.Now().Add(-21 * time.Second)
	for _, sp := range p.Stations {
		r.begin(sp, now)
		a.saver(sp)(time.Time{}, station.Memory{Engine: infer.New(sp.Profile, infer.Station{ID: sp.ID, Hookup: sp.Hookup}).State()})
		for i := range 2000 {
			r.observe(bench.Observation{At: now.Add(time.Duration(i) * 10 * time.Millisecond), Station: sp.ID, Fact: bench.Power{
				Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(unit.Current(400+i%9) * unit.Milliampere),
			}})
		}
		var events []bench.Event
		for i := range 50 {
			events = append(events, bench.Event{Station: sp.ID, Type: bench.ModeChanged, Time: now.Add(time.Duration(i)), Concluded: now, Count: uint64(i + 1)})
		}
		if err := r.store.Append(b.Context(), events); err != nil {
			b.Fatal(err)
		}
	}
	if err := r.close(); err != nil {
		b.Fatal(err)
	}
}

// swell fills a ledger with what a year brings.
func swell(b *testing.B, dir string, days, mega int) {
	b.Helper()
	db, err := sql.Open("sqlite3", filepath.Join(dir, "ledger.db"))
	if err != nil {
		b.Fatal(err)
	}
	runs := 40 * 20 * days
	why := strings.Repeat("x", 250)
	for _, fill := range []struct {
		rows int
		text string
	}{
		{10 * runs, `INSERT INTO event (id, station, type, time, concluded, count, data, sum)
			SELECT randomblob(16), 1 + n % 40, 'benchvigil.mode.changed', n * 1000, n * 1000, n, '{"why":["` + why + `"]}', 0 FROM rows`},
		{runs, `INSERT INTO run (id, station, hookup, profile, started, assumed, outcome, kind, ended)
			SELECT 1000000000 + n, 1 + n % 40, 0, 'invented-handset', n * 10000, 0, 'dropped', 'died', n * 10000 + 9000 FROM rows`},
		{runs / 2, `INSERT INTO watch (id, station, goal, by, armed, outcome, kind, ended)
			SELECT 1000000000 + n, 1 + n % 40, 'stay 3h', 'kim', n * 10000, 'done', '', n * 10000 + 9000 FROM rows`},
		{10 * runs, `INSERT INTO fact (station, stretch, at, kind, data, sum)
			SELECT 1 + n % 40, 1 + n % 40, n * 1000, 'usb', '{"change":"remove","port":"1-2.3"}', 0 FROM rows`},
		{mega * 1000 * 1000 / 1600, `INSERT INTO block (channel, stretch, start, end, points, data)
			SELECT 1 + n % 40, 1 + n % 40, n * 1500, n * 1500 + 60000, 6000, randomblob(1500) FROM rows`},
	} {
		_, err := db.ExecContext(b.Context(), fmt.Sprintf(`WITH RECURSIVE rows(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM rows WHERE n < %d) `, max(fill.rows, 1))+fill.text)
		if err != nil {
			b.Fatal(fill.text, err)
		}
	}
	if err := db.Close(); err != nil {
		b.Fatal(err)
	}
}
