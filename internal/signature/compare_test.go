package signature_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/signature"
	"benchvigil/internal/unit"
)

func ended(t testing.TB, how signature.Ending, period time.Duration, milliamps ...int) signature.Trace {
	t.Helper()
	tr, _, err := signature.NewTrace(every(period, milliamps...))
	if err != nil {
		t.Fatal(err)
	}
	tr.End = how
	return tr
}

// The distances were computed with an independent recursion in Python. Where
// time is missing they are 50 mA · 6 s of it over 6.8 s + 6 s.
func TestCompare(t *testing.T) {
	const up, dropped, cut = signature.Up, signature.Dropped, signature.Cut
	good := ended(t, up, 100*ms, hold(45, 24, 210, 30, 400, 60)...)
	for _, c := range []struct {
		name     string
		here     signature.Trace
		there    signature.Trace
		distance unit.Current
		parts    string
	}{
		{"the same", good, good, 0, ""},
		{"read twice a second", ended(t, up, 500*ms, hold(45, 5, 210, 6, 400, 12)...), good, 15, ""},
		{"a second slower", ended(t, up, 100*ms, hold(45, 34, 210, 30, 400, 60)...), good, 620, ""},
		{"the first rail stays alone", ended(t, up, 100*ms, hold(45, 114)...), good, 200_877, "2.4s: 45 beside 210"},
		{"turned round", good, ended(t, up, 100*ms, hold(45, 114)...), 200_877, "2.4s: 210 beside 45"},
		{"the step is higher", ended(t, up, 100*ms, hold(45, 24, 310, 30, 400, 60)...), good, 26_316, "2.4s: 310 beside 210"},
		{"the step goes on", ended(t, up, 100*ms, hold(45, 24, 210, 90)...), good, 84_211, "5.4s: 210 beside 400"},
		{"dropped", ended(t, dropped, 100*ms, hold(45, 24, 210, 30, 0, 5)...), good, 192_982, "5.4s: 0 beside 400"},
		{"dropped as before", ended(t, dropped, 100*ms, hold(45, 24, 210, 30, 0, 5)...), ended(t, dropped, 100*ms, hold(45, 24, 210, 30, 0, 9)...), 0, ""},
		{"not seen to its end", ended(t, cut, 100*ms, hold(45, 24, 210, 10)...), good, 0, ""},
		{"up much sooner", ended(t, up, 100*ms, hold(45, 24, 210, 10)...), good, 23_438, ""},
		{"no levels", signature.Trace{}, good, 50_000, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := signature.Compare(c.here, []signature.Reference{{Trace: c.there}})[0]
			if d := m.Distance - c.distance; d < -1 || d > 1 {
				t.Errorf("distance %d µA, want %d", m.Distance, c.distance)
			}
			parts := ""
			if p, ok := m.Parts.Get(); ok {
				parts = fmt.Sprintf("%v: %d beside %d", p.At, p.Here/mA, p.There/mA)
			}
			if d := cmp.Diff(c.parts, parts); d != "" {
				t.Error(d)
			}
		})
	}
}

// A trace has no distance from itself, and two have the same either way; no
// distance is larger than the largest current and what time may count.
func TestCompareProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawTrace(t, "here"), drawTrace(t, "there")
		one := func(here, there signature.Trace) signature.Match {
			return signature.Compare(here, []signature.Reference{{Trace: there}})[0]
		}
		there, back, self := one(a, b), one(b, a), one(a, a)
		if d := there.Distance - back.Distance; d < -1 || d > 1 {
			t.Fatalf("%v there, %v back", there.Distance, back.Distance)
		}
		if self.Distance != 0 || self.Parts.Known() {
			t.Fatalf("from itself: %+v", self)
		}
		if there.Distance < 0 || there.Distance > 1510*mA {
			t.Fatalf("distance %v", there.Distance)
		}
		if p, ok := there.Parts.Get(); ok && (p.At < 0 || p.Here == p.There) {
			t.Fatalf("they part: %+v", p)
		}
	})
}

func TestCompareOrder(t *testing.T) {
	here := ended(t, signature.Up, 100*ms, hold(45, 20)...)
	far := ended(t, signature.Up, 100*ms, hold(450, 20)...)
	var names []string
	for _, m := range signature.Compare(here, []signature.Reference{{Name: "far", Trace: far}, {Name: "first", Trace: here}, {Name: "second", Trace: here}}) {
		names = append(names, m.Reference.Name)
	}
	if d := cmp.Diff([]string{"first", "second", "far"}, names); d != "" {
		t.Error(d)
	}
}

func BenchmarkCompare(b *testing.B) {
	here := ended(b, signature.Up, 100*ms, hold(45, 24, 210, 30, 400, 540)...)
	for b.Loop() {
		signature.Compare(here, []signature.Reference{{Trace: here}})
	}
}

func ExampleCompare() {
	trace := func(pairs ...int) signature.Trace {
		t, _, err := signature.NewTrace(every(100*ms, hold(pairs...)...))
		if err != nil {
			fmt.Println(err)
		}
		return t
	}
	known := signature.Reference{Name: "known good", Trace: trace(45, 24, 210, 40, 400, 50)}
	m := signature.Compare(trace(45, 110), []signature.Reference{known})[0]
	p, _ := m.Parts.Get()
	fmt.Printf("%s: parts at %v, %v here, %v there\n", m.Reference.Name, p.At, p.Here, p.There)
	// Output: known good: parts at 2.4s, 45.00 mA here, 210 mA there
}
