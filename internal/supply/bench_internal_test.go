package supply

import (
	"context"
	"testing"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/scpi"
)

// BenchmarkPoll measures one reading over loopback, from the question to the
// emitted observation, without the pace.
func BenchmarkPoll(b *testing.B) {
	srv, err := scpi.Listen("127.0.0.1:0", scpi.Options{Read: func() scpi.Reading {
		return scpi.Reading{Volts: 3_801_000, Amps: 412_000}
	}})
	if err != nil {
		b.Fatal(err)
	}
	defer srv.Close()
	for name, o := range map[string]Options{
		"compound": {},
		"singles":  {VoltsQuery: "MEAS:VOLT?", AmpsQuery: "MEAS:CURR?"},
	} {
		b.Run(name, func(b *testing.B) { benchmarkPoll(b, srv.Addr(), o) })
	}
}

func benchmarkPoll(b *testing.B, address string, o Options) {
	o.Station, o.Address = "s1", address
	p, err := New(o)
	if err != nil {
		b.Fatal(err)
	}
	emitted := 0
	s := newSession(p, func(bench.Observation) bool { emitted++; return true })
	p.link.join()
	defer p.link.leave()
	ctx := context.Background()
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		n++
		if f := s.serve(ctx, s.opts.Now()); f != nil {
			b.Fatal(f.text())
		}
	}
	if emitted != n {
		b.Fatalf("%d readings emitted, want %d", emitted, n)
	}
}
