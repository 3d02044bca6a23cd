package chart_test

import (
	"encoding/json"
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/chart"
	"benchvigil/internal/trace"
)

// points makes up readings: some close together, some apart, some unknown.
func points(t *rapid.T) []trace.Point {
	at := rapid.Int64Range(-5_000_000, 5_000_000).Draw(t, "first")
	var out []trace.Point
	for range rapid.IntRange(0, 300).Draw(t, "readings") {
		at += rapid.OneOf(rapid.Just[int64](100), rapid.Int64Range(0, 3000), rapid.Int64Range(3000, 100_000)).Draw(t, "later")
		p := trace.Point{At: at}
		if rapid.IntRange(0, 9).Draw(t, "known") > 0 {
			p.Known = 1 << trace.Amps
			p.Values[trace.Amps] = rapid.Int64Range(-3_000_000, 100_000_000).Draw(t, "amps")
		}
		out = append(out, p)
	}
	return out
}

// naive looks through all readings for one column.
func naive(ps []trace.Point, from, to int64) (n, least, most int64, mean float64) {
	least, most = math.MaxInt64, math.MinInt64
	for _, p := range ps {
		if p.At < from || p.At >= to || p.Known == 0 {
			continue
		}
		x := p.Values[trace.Amps]
		n, least, most, mean = n+1, min(least, x), max(most, x), mean+float64(x)
	}
	return n, least, most, mean / float64(max(n, 1))
}

// Whatever the zoom, columns say of their readings what a look through all of
// them says, and nothing of where there was none; from roll-ups too, but for the
// mean, which is as exact as theirs.
func TestColumns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ps := points(t)
		from := rapid.Int64Range(-6_000_000, 6_000_000).Draw(t, "from")
		long := rapid.Int64Range(1000, 12*3600*1000).Draw(t, "span")
		f := chart.Fit(from, from+long, rapid.IntRange(chart.FewestPoints, chart.MostPoints).Draw(t, "columns"))
		if f.From > from || f.To < from+long || f.From <= from-f.Step || f.To >= from+long+f.Step || (f.To-f.From)%f.Step != 0 {
			t.Fatalf("%d ms from %d: %+v", long, from, f)
		}
		raw, rolled := chart.NewLine(chart.Amps), chart.NewLine(chart.Amps)
		for i := range ps {
			raw.Add(chart.OfPoint(&ps[i], trace.Amps))
		}
		for _, r := range trace.Rollups(ps) {
			rolled.Add(chart.OfRollup(&r, trace.Amps))
		}
		check(t, f, ps, raw.Columns(f), 0.5)
		if !f.Fine() {
			check(t, f, ps, rolled.Columns(f), 1_000_000) // a mean to a tenth of the resolution, here of anything; counts are of readings, known or not
		}
	})
}

func check(t *rapid.T, f chart.Frame, ps []trace.Point, c chart.Channel, tolerated float64) {
	t.Helper()
	if !slices.IsSorted(c.T) || len(c.Min) != len(c.T) || len(c.Mean) != len(c.T) || len(c.Max) != len(c.T) {
		t.Fatalf("%d times, %d, %d and %d values", len(c.T), len(c.Min), len(c.Mean), len(c.Max))
	}
	next, wasNull := int64(0), false
	for i, at := range c.T {
		if at%f.Step != 0 || at < 0 || at >= f.To-f.From || i > 0 && at <= c.T[i-1] {
			t.Fatalf("column %d begins at %d: %+v", i, at, f)
		}
		if n, _, _, _ := naive(ps, f.From+next, f.From+at); n > 0 {
			t.Fatalf("%d readings before column %d are in none", n, i)
		}
		n, least, most, mean := naive(ps, f.From+at, f.From+at+f.Step)
		next = at + f.Step
		if null := c.Min[i] == chart.Absent; null != (n == 0) || null && (c.Max[i] != chart.Absent || c.Mean[i] != chart.Absent || wasNull || i == 0) {
			t.Fatalf("column %d of %d readings: %d to %d", i, n, c.Min[i], c.Max[i])
		}
		if wasNull = n == 0; wasNull {
			continue
		}
		if c.Min[i] != least || c.Max[i] != most || c.Mean[i] < least || c.Mean[i] > most {
			t.Fatalf("column %d: %d, %d, %d, want %d, %g, %d", i, c.Min[i], c.Mean[i], c.Max[i], least, mean, most)
		}
		if tolerated < 1 && math.Abs(float64(c.Mean[i])-mean) > tolerated {
			t.Fatalf("column %d: mean %d, want %g", i, c.Mean[i], mean)
		}
	}
	if n, _, _, _ := naive(ps, f.From+next, f.To); n > 0 {
		t.Fatalf("%d readings after the last column are in none", n)
	}
}

// Means of whole seconds weigh each second by its readings.
func TestMeanCountsReadings(t *testing.T) {
	l := chart.NewLine(chart.Amps)
	l.Add(chart.Sum{At: 0, Until: 999, Count: 1, Min: 100, Mean: 100, Max: 100}, true)
	l.Add(chart.Sum{At: 1000, Until: 1999, Count: 9, Min: 0, Mean: 200, Max: 900}, true)
	c := l.Columns(chart.Frame{From: 0, To: 2000, Step: 2000})
	if d := cmp.Diff(chart.Values{190}, c.Mean); d != "" {
		t.Error(d)
	}
}

// Readings are given as they were, with a null where none came for long; a slow
// instrument is no gap.
func TestReadings(t *testing.T) {
	for _, tt := range []struct {
		name string
		at   []int64
		t    []int64
	}{
		{"none", nil, []int64{}},
		{"ten a second, three seconds missing", []int64{0, 100, 200, 3200, 3300}, []int64{0, 100, 200, 3200, 3300}},
		{"more than three missing", []int64{0, 100, 200, 3201, 3301}, []int64{0, 100, 200, 500, 3201, 3301}},
		{"one in two seconds", []int64{0, 2000, 4000, 12000, 14000}, []int64{0, 2000, 4000, 12000, 14000}},
		{"one in two seconds, then none", []int64{0, 2000, 4000, 25000, 27000}, []int64{0, 2000, 4000, 5000, 25000, 27000}},
		{"not in order", []int64{200, 0, 100}, []int64{0, 100, 200}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := chart.NewLine(chart.Volts)
			for _, at := range tt.at {
				l.Add(chart.Sum{At: at, Until: at, Count: 1, Mean: at}, true)
			}
			c := l.Readings(chart.Frame{})
			if d := cmp.Diff(tt.t, c.T); d != "" {
				t.Error(d)
			}
			for i, v := range c.V {
				if null := !slices.Contains(tt.at, c.T[i]); null != (v == chart.Absent) || !null && v != c.T[i] {
					t.Errorf("%d at %d", v, c.T[i])
				}
			}
		})
	}
}

func TestValuesAsJSON(t *testing.T) {
	b, err := json.Marshal(chart.Channel{Name: chart.Amps, Unit: "A", Scale: 1e-6, T: []int64{0, 5}, V: chart.Values{-3, chart.Absent}})
	if want := `{"name":"amps","unit":"A","scale":0.000001,"t":[0,5],"v":[-3,null]}`; err != nil || string(b) != want {
		t.Errorf("%s, %v, want %s", b, err, want)
	}
}

// Silences and columns agree on where nothing was read.
func TestSilences(t *testing.T) {
	l := chart.NewLine(chart.Amps)
	for _, at := range []int64{5000, 5100, 5200, 9000, 9100} {
		l.Add(chart.Sum{At: at, Until: at, Count: 1}, true)
	}
	want := []chart.Gap{{From: 0, To: 5000}, {From: 5200, To: 9000}, {From: 9100, To: 20000}}
	if d := cmp.Diff(want, l.Silences(0, 20000)); d != "" {
		t.Error(d)
	}
}
