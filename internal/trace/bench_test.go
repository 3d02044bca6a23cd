package trace_test

import (
	"encoding/binary"
	"fmt"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"benchvigil/internal/trace"
)

// BenchmarkBlock packs and unpacks an hour of readings in blocks of a minute,
// and says bytes per stored value: volts, amperes and roll-ups counted. The
// other coding is the one that was weighed against ours: deltas as varints,
// then zstd.
func BenchmarkBlock(b *testing.B) {
	for _, hz := range []uint64{10, 100} {
		var blocks [][]trace.Point
		for m := range uint64(8) {
			blocks = append(blocks, Bench(m, hz, time.Minute))
		}
		b.Run(fmt.Sprintf("encode/%dHz", hz), func(b *testing.B) { perReading(b, blocks, ours) })
		b.Run(fmt.Sprintf("zstd/%dHz", hz), func(b *testing.B) { perReading(b, blocks, theirs(b)) })
		var packed [][]byte
		for _, ps := range blocks {
			p, err := trace.Encode(ps)
			if err != nil {
				b.Fatal(err)
			}
			packed = append(packed, p)
		}
		b.Run(fmt.Sprintf("decode/%dHz", hz), func(b *testing.B) {
			n := 0
			for i := 0; b.Loop(); i++ {
				ps, err := trace.Decode(packed[i%len(packed)])
				if err != nil {
					b.Fatal(err)
				}
				n += len(ps)
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}

func perReading(b *testing.B, blocks [][]trace.Point, size func([]trace.Point) (int, int)) {
	n, bytes, rolled := 0, 0, 0
	for i := 0; b.Loop(); i++ {
		ps := blocks[i%len(blocks)]
		block, roll := size(ps)
		n, bytes, rolled = n+len(ps), bytes+block, rolled+roll
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(float64(bytes)/float64(2*n), "B/value")
	b.ReportMetric(float64(bytes+rolled)/float64(2*n), "B/value-with-rollups")
}

func ours(ps []trace.Point) (int, int) {
	block, err := trace.Encode(ps)
	if err != nil {
		panic(err)
	}
	rolled, err := trace.EncodeRollups(trace.Rollups(ps))
	if err != nil {
		panic(err)
	}
	return len(block), len(rolled)
}

func theirs(b *testing.B) func(ps []trace.Point) (int, int) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderConcurrency(1))
	if err != nil {
		b.Fatal(err)
	}
	return func(ps []trace.Point) (int, int) {
		var raw []byte
		period := (ps[len(ps)-1].At - ps[0].At) / int64(len(ps)-1)
		for i := range ps[1:] {
			raw = binary.AppendVarint(raw, ps[i+1].At-ps[i].At-period)
		}
		for v := range 2 {
			for i := range ps[1:] {
				raw = binary.AppendVarint(raw, (ps[i+1].Values[v]-ps[i].Values[v])/1000)
			}
		}
		rs := trace.Rollups(ps)
		var roll []byte
		for i := range rs[1:] {
			for _, s := range [][2]trace.Span{{rs[i].Volts, rs[i+1].Volts}, {rs[i].Amps, rs[i+1].Amps}} {
				roll = binary.AppendVarint(roll, (s[1].Min-s[0].Min)/1000)
				roll = binary.AppendVarint(roll, (s[1].Max-s[0].Max)/1000)
				roll = binary.AppendVarint(roll, (s[1].Mean-s[0].Mean)/100)
			}
		}
		return len(enc.EncodeAll(raw, nil)), len(enc.EncodeAll(roll, nil))
	}
}
