package signature_test

import (
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/signature"
	"benchvigil/internal/unit"
)

// every makes readings in milliamperes at a period; -1 is one that was lost.
func every(period time.Duration, milliamps ...int) (out []signature.Reading) {
	for i, a := range milliamps {
		if a >= 0 {
			out = append(out, signature.Reading{At: time.Duration(i) * period, Amps: unit.Current(a) * mA})
		}
	}
	return out
}

func milliamps(c []unit.Current) (out []int) {
	for _, a := range c {
		out = append(out, int(a/mA))
	}
	return out
}

func TestNewTrace(t *testing.T) {
	for _, c := range []struct {
		name  string
		in    []signature.Reading
		every time.Duration
		want  []int
		cut   bool
	}{
		{"one reading a level", every(100*ms, 40, 40, 90, 90), 100 * ms, []int{40, 40, 90, 90}, false},
		{"five readings a level, a spike", every(20*ms, 40, 40, 900, 40, 40, 90, 90, 90, 90, 90), 100 * ms, []int{40, 90}, false},
		{"twice a second", every(500*ms, 40, 40, 90, 90), 500 * ms, []int{40, 40, 90, 90}, false},
		{"between two steps", every(330*ms, 40, 40, 90, 90), 300 * ms, []int{40, 40, 90, 90}, false},
		{"lost readings", every(100*ms, 40, -1, -1, -1, 90, 90, 90, 90), 100 * ms, []int{40, 40, 40, 90, 90, 90, 90, 90}, false},
		{"not quite even", []signature.Reading{{0, 40 * mA}, {98 * ms, 50 * mA}, {201 * ms, 60 * mA}, {305 * ms, 70 * mA}}, 100 * ms, []int{50, 50, 60, 70}, false},
		{
			"long without a reading", append(every(500*ms, 40, 40, 90, 90), signature.Reading{At: 8 * s, Amps: 300 * mA}),
			500 * ms,
			[]int{40, 40, 90, 90},
			true,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, cut, err := signature.NewTrace(c.in)
			if err != nil {
				t.Fatal(err)
			}
			if got.Every != c.every || cut != c.cut || got.End != signature.Cut {
				t.Errorf("every %v, cut %v, ended %v", got.Every, cut, got.End)
			}
			if d := cmp.Diff(c.want, milliamps(got.Levels)); d != "" {
				t.Error(d)
			}
		})
	}
	for name, in := range map[string][]signature.Reading{
		"nothing":    nil,
		"too few":    every(100*ms, 1, 2, 3),
		"too seldom": every(3*s, 1, 2, 3, 4, 5),
		"gone early": append(every(100*ms, 1, 2, 3), signature.Reading{At: 9 * s, Amps: 1}),
	} {
		if _, _, err := signature.NewTrace(in); !errors.Is(err, signature.ErrTrace) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// table is the steps as a person writes them: from, for (tenths of a second),
// milliamperes, varies.
func table(tr signature.Trace) (out [][4]int) {
	for _, s := range tr.Steps() {
		out = append(out, [4]int{int(s.From / (100 * ms)), int(s.For / (100 * ms)), int(s.Level / mA), int(s.Varies / mA)})
	}
	return out
}

// hold repeats levels: milliamperes, how often, and so on.
func hold(pairs ...int) (out []int) {
	for i := 0; i < len(pairs); i += 2 {
		for range pairs[i+1] {
			out = append(out, pairs[i])
		}
	}
	return out
}

func TestSteps(t *testing.T) {
	for _, c := range []struct {
		name string
		in   []signature.Reading
		want [][4]int
	}{
		{"three steps", every(100*ms, hold(45, 12, 120, 20, 320, 30)...), [][4]int{{0, 12, 45, 0}, {12, 20, 120, 0}, {32, 30, 320, 0}}},
		{"twice a second", every(500*ms, hold(45, 3, 120, 4, 320, 6)...), [][4]int{{0, 15, 45, 0}, {15, 20, 120, 0}, {35, 30, 320, 0}}},
		{"one level", every(100*ms, hold(45, 40)...), [][4]int{{0, 40, 45, 0}}},
		{"no current", every(100*ms, hold(0, 40)...), [][4]int{{0, 40, 0, 0}}},
		{"a spike is no step", every(100*ms, hold(45, 20, 900, 1, 45, 20)...), [][4]int{{0, 41, 45, 0}}},
		{"a short step", every(100*ms, hold(45, 20, 900, 4, 45, 20)...), [][4]int{{0, 20, 45, 0}, {20, 4, 900, 0}, {24, 20, 45, 0}}},
		{"small beside large", every(100*ms, hold(8, 10, 45, 10, 600, 20, 630, 20)...), [][4]int{{0, 10, 8, 0}, {10, 10, 45, 0}, {20, 40, 630, 15}}},
		{"coarse display", every(100*ms, 40, 50, 40, 50, 50, 40, 40, 50, 40, 50, 110, 120, 120, 110, 110, 120, 120, 110), [][4]int{{0, 10, 50, 5}, {10, 8, 120, 5}}},
		{"four readings", every(100*ms, 45, 45, 300, 300), [][4]int{{0, 4, 300, 127}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr, _, err := signature.NewTrace(c.in)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(c.want, table(tr)); d != "" {
				t.Error(d)
			}
		})
	}
	if got := (signature.Trace{}).Steps(); got != nil {
		t.Errorf("no levels: %v", got)
	}
}

func drawTrace(t *rapid.T, name string) signature.Trace {
	n := rapid.IntRange(4, 80).Draw(t, name+" levels")
	period := rapid.SampledFrom([]time.Duration{20 * ms, 100 * ms, 200 * ms, 500 * ms}).Draw(t, name+" period")
	level := rapid.SampledFrom([]int{0, 8, 45, 47, 120, 320, 600, 1500})
	var in []int
	for len(in) < n {
		in = append(in, hold(level.Draw(t, name), rapid.IntRange(1, 20).Draw(t, name+" hold"))...)
	}
	tr, _, err := signature.NewTrace(every(period, in...))
	if err != nil {
		t.Fatal(err)
	}
	tr.End = rapid.SampledFrom([]signature.Ending{signature.Up, signature.Dropped, signature.Stopped, signature.Cut}).Draw(t, name+" end")
	return tr
}

// Steps lie end to end, are long enough, and neighbours differ.
func TestStepsProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := drawTrace(t, "here")
		at := time.Duration(0)
		steps := tr.Steps()
		for i, st := range steps {
			if st.From != at || st.For <= 0 || len(steps) > 1 && (st.For < 300*ms || st.For < 2*tr.Every) {
				t.Fatalf("step %d: from %v for %v, after %v", i, st.From, st.For, at)
			}
			if i > 0 && st.Level == steps[i-1].Level {
				t.Fatalf("step %d: the level before, %v", i, st.Level)
			}
			at += st.For
		}
		if at != tr.Length() {
			t.Fatalf("steps of %v, the trace has %v", at, tr.Length())
		}
	})
}
