package rule_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

func TestDrawCheck(t *testing.T) {
	good := rule.Draw{Name: "cap", Above: 1}
	for _, tt := range []struct {
		change func(d *rule.Draw)
		want   string
	}{
		{func(*rule.Draw) {}, ""},
		{func(d *rule.Draw) {
			d.Below, d.For, d.Severity, d.Modes = 0.2, time.Minute, "danger", []string{"running"}
		}, ""},
		{func(d *rule.Draw) { d.Above, d.Change, d.Within = 0, 0.1, time.Minute }, ""},
		{func(d *rule.Draw) { d.Name = "" }, "name: write 1 to 24 letters"},
		{func(d *rule.Draw) { d.Name = "a b" }, "name: write 1 to 24 letters"},
		{func(d *rule.Draw) { d.Name = strings.Repeat("a", 25) }, "name: write 1 to 24 letters"},
		{func(d *rule.Draw) { d.Above = 0 }, "it has no condition: give above, below"},
		{func(d *rule.Draw) { d.Above = math.NaN() }, "above: NaN: write amperes"},
		{func(d *rule.Draw) { d.Above = math.Inf(1) }, "above: +Inf: write amperes"},
		{func(d *rule.Draw) { d.Below = -1 }, "below: -1: write amperes"},
		{func(d *rule.Draw) { d.Below = 1 }, "below 1 A is not under above 1 A"},
		{func(d *rule.Draw) { d.Change = 0.1 }, "make two rules of it"},
		{func(d *rule.Draw) { d.Within = time.Second }, "within belongs to change"},
		{func(d *rule.Draw) { d.Above, d.Change = 0, 0.1 }, "change needs a time: give within"},
		{func(d *rule.Draw) { d.Above, d.Change, d.Within = 0, 0.1, time.Millisecond }, "within: 1ms: write 1s to 1h"},
		{func(d *rule.Draw) { d.Above, d.Change, d.Within = 0, 0.1, 2*time.Hour }, "within: 2h0m0s: write 1s to 1h"},
		{func(d *rule.Draw) { d.For = -1 }, "for: -1ns: write 0s to 24h"},
		{func(d *rule.Draw) { d.Hysteresis = 0.5 }, "leaves no current at which it is over"},
		{func(d *rule.Draw) { d.Modes = []string{"runing"} }, `modes: "runing" is not a mode: there are`},
		{func(d *rule.Draw) { d.Severity = "bad" }, `severity: "bad": write danger, caution or notice`},
	} {
		d := good
		tt.change(&d)
		err := d.Check()
		switch {
		case tt.want == "" && err != nil, tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)):
			t.Errorf("%+v: %v, want %q", d, err, tt.want)
		case err != nil && !strings.HasPrefix(err.Error(), "draw rule \""+d.Name+"\": "):
			t.Errorf("%v does not name its rule", err)
		}
	}
	if err := rule.CheckDraws([]rule.Draw{good, good}); err == nil || !strings.Contains(err.Error(), `"cap": there are two`) {
		t.Error(err)
	}
	if err := rule.CheckDraws([]rule.Draw{good}); err != nil {
		t.Error(err)
	}
}

// read gives readings ten times a second and returns what changed.
func (g *rig) read(from, to, amps float64) (out []rule.Change) {
	for k := range int(math.Round((to - from) * 10)) {
		out = append(out, g.note(g.r.Reading(power("s01", amps, from+float64(k)/10)))...)
	}
	return out
}

func drawRig(t *testing.T, d rule.Draw) *rig {
	t.Helper()
	if err := d.Check(); err != nil {
		t.Fatal(err)
	}
	o := one()
	o.Draw = []rule.Draw{d}
	g := newRig(t, o)
	g.tick(at(-1))
	return g
}

func TestDrawAbove(t *testing.T) {
	g := drawRig(t, rule.Draw{Name: "cap", Above: 1, For: 5 * time.Second})
	want(t, g.read(0, 4.9, 1.2))
	want(t, g.read(4.9, 5, 0.9)) // a blip inside begins it anew
	want(t, g.read(5, 10, 1.2))
	got := g.read(10, 11, 1.2)
	want(t, got, "raise s01.draw.cap caution")
	if a := got[0].Alert; a.Since != at(5) || a.Amps.Or(0) != 1200*unit.Milliampere || !strings.HasPrefix(a.Text, "Above 1.000 A for 5 s. Now 1.200 A, before 412 mA.") {
		t.Errorf("%v %v %q", a.Since, a.Amps, a.Text)
	}
	want(t, g.read(11, 30, 0.96)) // within the hysteresis of a twentieth
	want(t, g.read(30, 35, 0.94))
	want(t, g.read(35, 36, 0.94), "return s01.draw.cap caution: it draws 940 mA again")
}

func TestDrawBelowAndBand(t *testing.T) {
	g := drawRig(t, rule.Draw{Name: "low", Below: 0.1, Severity: "danger", Modes: []string{"running"}})
	want(t, g.read(0, 1, 0.09), "raise s01.draw.low danger")
	g.snaps["s01"].Mode = bench.Asleep
	want(t, g.tick(at(2)), "return s01.draw.low danger: the mode in which it counts is over")
	want(t, g.read(3, 10, 0.01))

	g = drawRig(t, rule.Draw{Name: "band", Below: 0.2, Above: 0.6})
	want(t, g.read(0, 1, 0.4))
	want(t, g.read(1, 2, 0.7), "raise s01.draw.band caution")
	want(t, g.read(2, 10, 0.1))
	want(t, g.read(10, 14, 0.4), "return s01.draw.band caution: it draws 400 mA again")
	want(t, g.read(14, 15, 0.1), "raise s01.draw.band caution")
	g.snaps["s01"].SupplyLost = at(15)
	want(t, g.tick(at(18)), "return s01.draw.band caution: no reading shows it any more")
}

func TestDrawChange(t *testing.T) {
	g := drawRig(t, rule.Draw{Name: "jump", Change: 0.1, Within: 16 * time.Second})
	amps := 0.4
	for s := 0.0; s < 60; s++ { // a slow drift: 0.08 A in 16 s
		want(t, g.read(s, s+1, amps))
		amps += 0.005
	}
	want(t, g.read(60, 61, amps+0.1), "raise s01.draw.jump caution")
	want(t, g.read(61, 75, amps+0.1))
	want(t, g.read(75, 90, amps+0.1), "return s01.draw.jump caution: it draws 800 mA again")
}

func TestDrawMeans(t *testing.T) {
	for _, tt := range []struct {
		d    rule.Draw
		want int
	}{
		{rule.Draw{}, 2},
		{rule.Draw{Stations: []string{"s02"}}, 1},
		{rule.Draw{Profiles: []string{"invented-handset"}}, 2},
		{rule.Draw{Profiles: []string{"another"}}, 0},
		{rule.Draw{Profiles: []string{"another"}, Stations: []string{"s01"}}, 1},
	} {
		tt.d.Name, tt.d.Above = "cap", 1
		g := newRig(t, rule.Options{Stations: stations(2, "1-%d", ""), Draw: []rule.Draw{tt.d}})
		g.tick(at(-1))
		n := len(g.r.Reading(power("s01", 2, 0))) + len(g.r.Reading(power("s02", 2, 0)))
		if n != tt.want {
			t.Errorf("%+v: %d stations, want %d", tt.d, n, tt.want)
		}
	}
}

// A reload that leaves a rule as it was changes nothing; another limit begins anew.
func TestDrawReload(t *testing.T) {
	d := rule.Draw{Name: "cap", Above: 1}
	g := drawRig(t, d)
	want(t, g.read(0, 1, 1.2), "raise s01.draw.cap caution")
	o := one()
	o.Zone, o.Draw = time.UTC, []rule.Draw{d}
	g.r.Configure(o)
	want(t, append(g.tick(at(2)), g.read(2, 3, 1.2)...))
	o.Draw[0].Above = 2
	g.r.Configure(o)
	want(t, append(g.tick(at(4)), g.read(4, 5, 1.2)...), "return s01.draw.cap caution: the rule was changed or taken away")
}

func TestReadingIgnores(t *testing.T) {
	g := drawRig(t, rule.Draw{Name: "cap", Above: 1})
	for _, o := range []bench.Observation{
		{Station: "s01", At: at(0), Fact: bench.Power{Amps: unit.Some(2 * unit.Ampere), Channel: bench.ChannelVBUS}},
		{Station: "s01", At: at(0), Fact: bench.Power{}},
		{Station: "s01", At: at(0), Fact: bench.Traffic{URBs: 1}},
		{Station: "s09", At: at(0), Fact: bench.Power{Amps: unit.Some(2 * unit.Ampere)}},
	} {
		want(t, g.r.Reading(&o))
	}
}

func BenchmarkReading(b *testing.B) {
	o := one()
	o.Draw = []rule.Draw{{Name: "cap", Above: 1, For: time.Second}, {Name: "band", Above: 0.6, Below: 0.2}, {Name: "jump", Change: 0.5, Within: time.Minute}}
	with := newRig(b, o)
	with.tick(at(-1))
	without := newRig(b, one())
	for _, tt := range []struct {
		name string
		g    *rig
	}{{"three rules", with}, {"no rule", without}} {
		b.Run(tt.name, func(b *testing.B) {
			ob := power("s01", 0.4, 0)
			b.ReportAllocs()
			for b.Loop() {
				ob.At = ob.At.Add(100 * time.Millisecond)
				tt.g.r.Reading(ob)
			}
		})
	}
}

// BenchmarkEvents measures what stations usually conclude, and a drop with its end.
func BenchmarkEvents(b *testing.B) {
	g := newRig(b, rule.Options{Stations: stations(40, "1-2.%d", "psu")})
	s := *g.snaps["s01"]
	s.At = t0
	mode := []bench.Event{g.make("s01", bench.ModeChanged, 0, 0, bench.EventData{From: bench.Starting, To: bench.Running})}
	b.Run("mode", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			g.r.Events(mode, &s)
		}
	})
	drop := []bench.Event{g.make("s01", bench.RunDropped, 0, 0, dropData(bench.Died))}
	over := []bench.Event{g.make("s01", bench.RunReclassified, 0, 0, bench.EventData{Kind: bench.StoppedByMark})}
	b.Run("drop and stop", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() { // another drop each time: one that is over is not looked at
			s.At = s.At.Add(time.Minute)
			for _, e := range []*bench.Event{&drop[0], &over[0]} {
				e.Time, e.Concluded = s.At, s.At
			}
			if len(g.r.Events(drop, &s)) != 1 || len(g.r.Events(over, &s)) != 1 {
				b.Fatal("not told and taken back")
			}
		}
	})
	var all []bench.Snapshot
	for _, s := range g.snaps {
		all = append(all, *s)
	}
	b.Run("tick of 40 stations", func(b *testing.B) {
		b.ReportAllocs()
		now := t0
		for b.Loop() {
			now = now.Add(time.Second)
			g.r.Tick(now, all)
		}
	})
}
