package station_test

import (
	"encoding/json"
	"os"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/station"
	"benchvigil/internal/unit"
)

// BenchmarkSave is what keeping a station's memory costs: it happens every
// twenty seconds, and within a second after events.
func BenchmarkSave(b *testing.B) {
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		b.Fatal(err)
	}
	e := infer.New(p, wired)
	now := time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)
	for i := range 6000 {
		now = now.Add(100 * time.Millisecond)
		level := 400 + unit.Current(i%7)
		e.Step(bench.Observation{At: now, Station: "s1", Fact: bench.Power{Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(level * unit.Milliampere)}})
	}
	s, err := station.New(station.Options{Engine: e, Logger: zap.NewNop()})
	if err != nil {
		b.Fatal(err)
	}
	size := 0
	for b.Loop() {
		data, err := json.Marshal(s.Memory())
		if err != nil {
			b.Fatal(err)
		}
		size = len(data)
	}
	b.ReportMetric(float64(size), "B/state")
}
