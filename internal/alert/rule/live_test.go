package rule_test

import (
	"os"
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// live is one station as inference follows it, ten readings a second.
type live struct {
	g   *rig
	e   *infer.Engine
	now time.Time
}

func newLive(t *testing.T) *live {
	t.Helper()
	p, err := profile.Load(os.DirFS("../../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	e := infer.New(p, infer.Station{ID: "s01", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}})
	return &live{newRig(t, one()), e, t0}
}

func (l *live) give(f bench.Fact) {
	l.take(l.e.Step(bench.Observation{At: l.now, Station: "s01", Fact: f}))
}

func (l *live) take(events []bench.Event) {
	if len(events) == 0 {
		return
	}
	var s bench.Snapshot
	l.e.View(l.now, &s)
	l.g.note(l.g.r.Events(events, &s))
}

// read lets a current flow for some seconds, with a tick each second.
func (l *live) read(amps unit.Current, seconds float64) {
	for range int(seconds * 10) {
		l.now = l.now.Add(100 * time.Millisecond)
		l.give(bench.Power{Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(amps)})
		if l.now.Sub(t0)%time.Second == 0 {
			var s bench.Snapshot
			l.e.View(l.now, &s)
			l.g.note(l.g.r.Tick(l.now, []bench.Snapshot{s}))
		}
	}
}

// start brings the board up to running.
func (l *live) start() {
	l.read(0, 1)
	l.read(500*unit.Milliampere, 20)
	l.give(bench.USB{Change: bench.USBAdd, Port: "1-1", ID: bench.USBID{Vendor: 0x1209, Product: 0x0004}})
	l.read(400*unit.Milliampere, 40)
}

func TestLive(t *testing.T) {
	const mA = unit.Milliampere
	for _, tt := range []struct {
		name string
		tell func(l *live)
		want []string
	}{
		{"a reset", func(l *live) {
			l.start()
			l.read(0, 0.3)
			l.give(bench.USB{Change: bench.USBRemove, Port: "1-1"})
			l.read(500*mA, 30)
		}, []string{"raise s01.dropped caution", "amend s01.dropped caution: its kind is known", "return s01.dropped caution: up again since 14:04:13, for 10 s so far"}},
		{"it dies under a goal, and that was somebody", func(l *live) {
			l.start()
			l.give(bench.Mark{Kind: bench.MarkArm, Text: "stay", By: "kim"})
			l.read(400*mA, 5)
			l.read(0, 5)
			l.give(bench.Mark{Kind: bench.MarkMine, By: "kim"})
			l.read(0, 5)
		}, []string{"raise s01.dropped danger", "amend s01.dropped danger: its kind is known", "return s01.dropped danger: somebody said that it was a stop, not a drop"}},
		{"hands on", func(l *live) {
			l.start()
			l.give(bench.Mark{Kind: bench.MarkHandsOn})
			l.read(0, 5)
		}, nil},
		{"a stop", func(l *live) {
			l.start()
			l.give(bench.Mark{Kind: bench.MarkStop})
			l.read(0, 5)
		}, nil},
		{"the window", func(l *live) {
			l.start()
			l.read(400*mA, 200)
		}, []string{"raise s01.window-met notice"}},
		{"silence, and death in it", func(l *live) {
			l.start()
			for range 30 { // a tick alone
				l.now = l.now.Add(time.Second)
				l.take(l.e.Tick(l.now))
				var s bench.Snapshot
				l.e.View(l.now, &s)
				l.g.note(l.g.r.Tick(l.now, []bench.Snapshot{s}))
			}
			l.read(0, 3)
		}, []string{
			"raise s01.supply-lost caution", "return s01.supply-lost caution: the supply answers again",
			"raise s01.dropped caution", "amend s01.dropped caution: its kind is known",
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := newLive(t)
			tt.tell(l)
			want(t, l.g.all, tt.want...)
			countRaised(t, l.g.all)
		})
	}
}
