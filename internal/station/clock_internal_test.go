package station

import (
	"os"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// A step of the wall clock is an observation, uptimes go on through it, and
// what was stamped before it and comes after it falls into the new frame.
func TestWallClockStep(t *testing.T) {
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var recorded []bench.Observation
	now := time.Now()
	s, err := New(Options{
		Engine: infer.New(p, infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply}}),
		Record: func(o bench.Observation) { recorded = append(recorded, o) },
		Now:    func() time.Time { return now }, Logger: zap.NewNop(),
	})
	if err != nil {
		t.Fatal(err)
	}
	read := func(at time.Time) {
		s.take(bench.Observation{At: at, Station: "s1", Fact: bench.Power{Amps: unit.Some(400 * unit.Milliampere)}})
	}
	for range 20 {
		read(now)
		now = now.Add(100 * time.Millisecond)
	}
	s.wallMoved(now, -time.Hour)
	read(now.Add(-50 * time.Millisecond)) // stamped before the step, delivered after it
	for range 20 {
		read(now)
		now = now.Add(100 * time.Millisecond)
	}
	s.publish(now.Add(-time.Hour))
	if up := s.Snapshot().Run.Uptime; up < 3900*time.Millisecond || up > 4100*time.Millisecond {
		t.Errorf("uptime %v after the step, want 4 s", up)
	}
	if jump, ok := recorded[20].Fact.(bench.Clock); !ok || jump.Jump != -time.Hour {
		t.Errorf("recorded %+v, want the jump by -1h", recorded[20])
	}
	for i := 21; i < len(recorded); i++ {
		if recorded[i].At.Before(recorded[20].At) {
			t.Errorf("observation %d at %v lies before the step at %v", i, recorded[i].At, recorded[20].At)
		}
	}
}

func TestSlewingIsNoStep(t *testing.T) {
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	told := 0
	s, err := New(Options{
		Engine: infer.New(p, infer.Station{ID: "s1"}),
		Record: func(bench.Observation) { told++ }, Logger: zap.NewNop(),
	})
	if err != nil {
		t.Fatal(err)
	}
	for range 10_000 {
		s.wallMoved(s.start, 50*time.Microsecond) // 500 ppm of a tick
	}
	if told != 0 || s.offset != 500*time.Millisecond {
		t.Errorf("%d steps told and offset %v; want none and 500ms", told, s.offset)
	}
}
