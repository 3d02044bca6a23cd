package ledger_test

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/unit"
)

// board makes up readings: a level that changes now and then, activity that
// wanders, 1.5 mA of noise, 1 mA and 1 mV of resolution, volts that sag.
type board struct {
	rnd             *rand.Rand
	level, activity float64
}

func newBoard(seed int) *board {
	return &board{rnd: rand.New(rand.NewPCG(uint64(seed), 3)), level: 240}
}

func (b *board) at(station string, at time.Time) bench.Observation {
	if b.rnd.IntN(3000) == 0 {
		b.level = []float64{0, 3, 95, 420, 85, 240, 1480, 650}[b.rnd.IntN(8)]
	}
	b.activity = 0.98*b.activity + 0.013*b.level*b.rnd.NormFloat64()
	amps := math.Round(max(0, b.level+b.activity+1.5*b.rnd.NormFloat64()))
	volts := math.Round(3801 - 0.02*amps + 0.4*b.rnd.NormFloat64())
	late := time.Duration(math.Abs(0.3*b.rnd.NormFloat64()) * float64(time.Millisecond))
	return bench.Observation{At: at.Add(late).Round(time.Millisecond), Station: station, Fact: bench.Power{
		Volts: unit.Some(unit.Voltage(volts) * unit.Millivolt), Amps: unit.Some(unit.Current(amps) * unit.Milliampere),
	}}
}

func openBench(b *testing.B) (*ledger.Ledger, string) {
	b.Helper()
	dir := b.TempDir()
	l, err := ledger.Open(b.Context(), ledger.Options{Dir: dir, Logger: zap.NewNop()})
	if err != nil {
		b.Fatal(err)
	}
	return l, dir
}

// readingsEnv names a folder into which BenchmarkStore also writes its readings, for another
// store to be measured on the same: lines "station,Unix ms,mV,mA" in RATE.csv.
const readingsEnv = "BENCHVIGIL_READINGS"

func readingsFile(b *testing.B, hz int) io.WriteCloser {
	b.Helper()
	dir := os.Getenv(readingsEnv)
	if dir == "" {
		return nil
	}
	f, err := os.Create(filepath.Join(dir, fmt.Sprintf("%d.csv", hz)))
	fine(b, err)
	return f
}

func writeReading(b *testing.B, w io.Writer, o bench.Observation) {
	b.Helper()
	p := o.Fact.(bench.Power)
	_, err := fmt.Fprintf(w, "%s,%d,%d,%d\n", o.Station, o.At.UnixMilli(), p.Volts.Or(0)/unit.Millivolt, p.Amps.Or(0)/unit.Milliampere)
	fine(b, err)
}

// BenchmarkStore writes an hour of readings as fast as it goes, and says bytes
// on disk, everything counted, for each stored value: volts and amperes.
func BenchmarkStore(b *testing.B) {
	for _, hz := range []int{10, 100} {
		b.Run(fmt.Sprintf("%dHz", hz), func(b *testing.B) {
			const lasts = time.Hour
			stations := 200 / hz
			for b.Loop() {
				l, dir := openBench(b)
				csv := readingsFile(b, hz)
				var boards []*board
				for s := range stations {
					boards = append(boards, newBoard(s))
					l.Begin(fmt.Sprint("s", s), start, wiring)
				}
				began, values := processor(b), 0
				for t := time.Duration(0); t < lasts; t += time.Second / time.Duration(hz) {
					for s, board := range boards {
						o := board.at(fmt.Sprint("s", s), start.Add(t))
						l.Record(o)
						values += 2
						if csv != nil {
							writeReading(b, csv, o)
						}
					}
					if t%time.Second == 0 {
						fine(b, l.Flush(b.Context()))
					}
					if t%(10*time.Second) == 0 {
						fine(b, l.FoldDue(b.Context()))
					}
				}
				fine(b, l.Fold(b.Context()))
				spent := processor(b) - began
				fine(b, l.Close())
				if csv != nil {
					fine(b, csv.Close())
				}
				info, err := os.Stat(dir + "/ledger.db")
				fine(b, err)
				b.ReportMetric(float64(info.Size())/float64(values), "B/value")
				b.ReportMetric(float64(values)/2/spent.Seconds(), "readings/cpu-s")
			}
		})
	}
}

func fine(b *testing.B, err error) {
	b.Helper()
	if err != nil {
		b.Fatal(err)
	}
}

func processor(b *testing.B) time.Duration {
	var u syscall.Rusage
	fine(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkEvent appends an event every 20 ms while 40 stations at 100 Hz are
// recorded, and says how long each took to be committed.
func BenchmarkEvent(b *testing.B) {
	const stations, hz = 40, 100
	l, _ := openBench(b)
	for s := range stations {
		l.Begin(fmt.Sprint("s", s), start, wiring)
	}
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		load(l, stations, hz, stop)
	}()
	time.Sleep(2 * time.Second)
	var took []time.Duration
	began, commits, cpu := time.Now(), l.Counts().Commits, processor(b)
	for i := 0; b.Loop(); i++ {
		time.Sleep(20 * time.Millisecond)
		at := time.Now()
		fine(b, l.Append(b.Context(), []bench.Event{event(fmt.Sprint("s", i%stations), bench.StallRaised, at, uint64(i))}))
		took = append(took, time.Since(at))
	}
	spent := time.Since(began)
	b.ReportMetric(float64(l.Counts().Commits-commits)/spent.Seconds(), "syncs/s")
	b.ReportMetric(100*(processor(b)-cpu).Seconds()/spent.Seconds(), "%core")
	close(stop)
	<-stopped
	slices.Sort(took)
	for _, p := range []int{50, 99} {
		b.ReportMetric(float64(took[(len(took)-1)*p/100].Microseconds())/1000, fmt.Sprintf("p%d-ms", p))
	}
	b.ReportMetric(float64(took[len(took)-1].Microseconds())/1000, "max-ms")
	fine(b, l.Close())
}

// load records readings at their pace until it is stopped.
func load(l *ledger.Ledger, stations, hz int, stop <-chan struct{}) {
	var boards []*board
	for s := range stations {
		boards = append(boards, newBoard(s))
	}
	next := time.Now()
	for {
		select {
		case <-stop:
			return
		case <-time.After(time.Until(next)):
		}
		for s, board := range boards {
			l.Record(board.at(fmt.Sprint("s", s), next))
		}
		next = next.Add(time.Second / time.Duration(hz))
	}
}

// BenchmarkOpen opens a ledger with 50,000 runs, as many watches and sent
// alerts, and an hour of readings of 40 stations at 10 Hz, of which the last minute is in no block.
func BenchmarkOpen(b *testing.B) {
	l, dir := openBench(b)
	ctx := b.Context()
	for batch := range 100 {
		var events []bench.Event
		var alerts []ledger.Alert
		for i := range 500 {
			n := uint64(4 * (batch*500 + i))
			station, at := fmt.Sprint("s", i%40), start.Add(time.Duration(n)*time.Minute)
			events = append(events, event(station, bench.RunStarted, at, n), event(station, bench.WatchArmed, at, n+1),
				event(station, bench.RunDropped, at.Add(time.Minute), n+2), event(station, bench.WatchFailed, at.Add(time.Minute), n+3))
			alerts = append(alerts, ledger.Alert{Key: fmt.Sprint(n), Station: station, Outlet: "phone", Body: "dropped", Raised: at, Due: at})
		}
		fine(b, l.Append(ctx, events, alerts...))
	}
	for s := range 40 {
		station, board := fmt.Sprint("s", s), newBoard(s)
		l.Begin(station, start, wiring)
		l.SaveState(station, time.Time{}, make([]byte, 8000))
		for i := range 36_000 {
			l.Record(board.at(station, start.Add(time.Duration(i)*100*time.Millisecond)))
			if i == 35_400 {
				fine(b, l.Fold(ctx))
			}
		}
	}
	fine(b, l.Close())
	info, err := os.Stat(filepath.Join(dir, "ledger.db"))
	fine(b, err)
	for b.Loop() {
		l, err := ledger.Open(ctx, ledger.Options{Dir: dir, Logger: zap.NewNop()})
		fine(b, err)
		b.StopTimer()
		fine(b, l.Close())
		b.StartTimer()
	}
	b.ReportMetric(float64(info.Size())/1e6, "MB")
}
