package infer_test

import (
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/unit"
)

// BenchmarkStepRunning is the common case: a board that runs, ten readings a
// second with a traffic count each second.
func BenchmarkStepRunning(b *testing.B) {
	obs := restoreHour()
	stepThrough(b, obs)
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "observations/s")
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds()/11, "stations/core")
}

// stepThrough gives an Engine the observations again and again, as time goes on.
func stepThrough(b *testing.B, obs []bench.Observation) {
	b.Helper()
	e := infer.New(handset(b), infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}})
	span := obs[len(obs)-1].At.Sub(obs[0].At) + 100*time.Millisecond
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		o := obs[i%len(obs)]
		o.At = o.At.Add(time.Duration(i/len(obs)) * span)
		e.Step(o)
	}
}

// BenchmarkStepShared is a board under an identity that stands for two modes,
// which the filter weighs against each other all the time.
func BenchmarkStepShared(b *testing.B) {
	obs := restoreHour()
	obs[0].Fact = bench.USB{Change: bench.USBAdd, ID: bench.USBID{Vendor: 0x1209, Product: 4}}
	stepThrough(b, obs)
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds()/11, "stations/core")
}

// BenchmarkStepThousandStations takes turns between stations, so that every
// step finds its state cold.
func BenchmarkStepThousandStations(b *testing.B) {
	obs := restoreHour()
	p := handset(b)
	engines := make([]*infer.Engine, 1000)
	for i := range engines {
		engines[i] = infer.New(p, infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}})
	}
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		engines[i%len(engines)].Step(obs[(i/len(engines))%len(obs)])
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "observations/s")
}

// BenchmarkTick is time passing in silence.
func BenchmarkTick(b *testing.B) {
	e := infer.New(handset(b), infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}})
	e.Step(bench.Observation{At: epoch, Station: "s1", Fact: bench.USB{Change: bench.USBRemove}})
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		e.Tick(epoch.Add(time.Duration(i) * 100 * time.Millisecond))
	}
}

// restoreHour is an hour of a restoring board.
func restoreHour() []bench.Observation {
	obs := []bench.Observation{{At: epoch, Station: "s1", Fact: bench.USB{Change: bench.USBAdd, ID: bench.USBID{Vendor: 0x1209, Product: 3}}}}
	for i := range 36_000 {
		at := epoch.Add(time.Duration(i) * 100 * time.Millisecond)
		amps := unit.Current(700_000 + (i*7919)%200_000)
		obs = append(obs, bench.Observation{At: at, Station: "s1", Fact: bench.Power{Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(amps)}})
		if i%10 == 0 {
			obs = append(obs, bench.Observation{At: at, Station: "s1", Fact: bench.Traffic{URBs: uint64(i * 4)}})
		}
	}
	return obs
}
