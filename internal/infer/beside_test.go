package infer_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/unit"
)

// What is told beside the board, its temperature and news of other instruments
// than its supply, changes no conclusion and no moment of one.
func TestWhatIsBesideTheBoardIsNoEvidence(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st, obs := genStation(t), genObservations(t)
		mixed := []bench.Observation{obs[0]}
		for i, o := range obs[1:] {
			at := o.At
			if gap := o.At.Sub(obs[i].At); gap > 0 {
				at = obs[i].At.Add(time.Duration(rapid.Int64Range(0, gap.Milliseconds()).Draw(t, "after")) * time.Millisecond)
			}
			mixed = append(mixed, bench.Observation{At: at, Station: "s1", Fact: genBeside(t)}, o)
		}
		want, got := runAll(infer.New(p, st), obs), runAll(infer.New(p, st), mixed)
		if diff := cmp.Diff(want, got, maybes); diff != "" {
			t.Fatalf("events without and with (-without +with):\n%s", diff)
		}
	})
}

func genBeside(t *rapid.T) bench.Fact {
	channel := rapid.SampledFrom([]string{bench.ChannelVBUS, bench.ChannelThermometer}).Draw(t, "channel")
	switch rapid.IntRange(0, 2).Draw(t, "beside") {
	case 0:
		return bench.Temperature{Celsius: unit.Temperature(rapid.Int64Range(-20_000, 90_000).Draw(t, "celsius"))}
	case 1:
		return bench.Supply{Change: bench.Lost, Error: "no answer", Channel: channel}
	}
	return bench.Supply{Change: bench.Back, Channel: channel}
}

func TestTheLastTemperatureIsShown(t *testing.T) {
	e := infer.New(handset(t), infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply}})
	var s bench.Snapshot
	e.Step(bench.Observation{At: epoch, Station: "s1", Fact: bench.Clock{}})
	if e.View(epoch, &s); !s.Temperature.At.IsZero() {
		t.Errorf("before any: %+v", s.Temperature)
	}
	for i, c := range []unit.Temperature{30_000, 31_250} {
		e.Step(bench.Observation{At: epoch.Add(time.Duration(i) * time.Second), Station: "s1", Fact: bench.Temperature{Celsius: c}})
	}
	now := epoch.Add(time.Second + bench.TemperatureLasts)
	e.View(now, &s)
	want := bench.TemperatureView{At: epoch.Add(time.Second), Celsius: 31_250}
	if diff := cmp.Diff(want, s.Temperature); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if !s.Temperature.Fresh(now) || s.Temperature.Fresh(now.Add(time.Millisecond)) || (bench.TemperatureView{}).Fresh(now) {
		t.Error("fresh must mean measured within a minute")
	}
}
