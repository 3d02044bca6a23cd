package station

import (
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/logkey"
	"benchvigil/internal/unit"
)

// saveEvery and saveAgain are how often a Memory is saved, in bench time: while
// nothing happens, and after events. The observations since the last one are
// recorded too, so rarely is enough.
const (
	saveEvery = 20 * time.Second
	saveAgain = 5 * time.Second
)

// Memory is what a station remembers, so that its watch can be taken up again
// by another program. It survives JSON.
type Memory struct {
	Engine   infer.State
	Shape    ShapeMemory
	Marks    []bench.MarkView `json:",omitempty"`
	LastMark bench.MarkView
}

// ShapeMemory is the recent shape of the current.
type ShapeMemory struct {
	Step       int64 // number of the step under way
	Sum, Count int64
	Done       []unit.Maybe[unit.Current] // steps before it
}

// TakeUp says that a watch is taken up again, and what the station showed
// before. The Engine of the Options goes on from Memory.Engine.
type TakeUp struct {
	Memory   Memory
	Since    func(yield func(bench.Observation) bool) // what was recorded after the Memory was saved
	Told     []bench.Event                            // the last events that were told, the newest first
	Rebooted bool                                     // the computer was started since, or may have been
}

// Memory is what the station remembers now. It is to be called before Run.
func (s *Station) Memory() Memory {
	return Memory{
		Engine: s.o.Engine.State(), Marks: s.marks, LastMark: s.lastMark,
		Shape: ShapeMemory{s.shape.step, s.shape.sum, s.shape.count, s.shape.done},
	}
}

// again is after how long to save again.
func again(concluded bool) time.Duration {
	if concluded {
		return saveAgain
	}
	return saveEvery
}

// save hands over what is remembered, where somebody keeps it and it is due.
func (s *Station) save(least time.Duration) {
	now := s.o.Engine.Now()
	if s.o.Save == nil || now.IsZero() || now.Sub(s.saved).Abs() < least {
		return
	}
	s.saved = now
	s.o.Save(now, s.Memory())
}

// catchUp brings the station to where the watch was left, and returns all that is
// concluded on the way: most of it was told before, but a crash may have come
// between. Nothing of it is recorded again.
func (s *Station) catchUp(t *TakeUp) (drawn []bench.Event) {
	m := &t.Memory
	s.shape = shape{step: m.Shape.Step, sum: m.Shape.Sum, count: m.Shape.Count, done: m.Shape.Done}
	s.marks, s.lastMark = m.Marks, m.LastMark
	e := s.o.Engine
	if t.Since != nil {
		for o := range t.Since {
			if m, ok := o.Fact.(bench.Mark); ok && (m.Kind == bench.MarkArm || m.Kind == bench.MarkDisarm || m.Kind == bench.MarkDone) {
				s.decided = true
			}
			s.note(o)
			drawn = append(drawn, e.Step(o)...)
		}
	}
	// What was told last may have been concluded from silence.
	for _, ev := range t.Told {
		if ev.Concluded.After(e.Now()) && ev.Count > 0 {
			drawn = append(drawn, e.Tick(ev.Concluded.Add(time.Millisecond))...)
		}
	}
	drawn = append(drawn, e.Finish()...)
	s.recent = slices.Clip(t.Told[:min(len(t.Told), recentEvents)])
	return drawn
}

// takeUp goes on after the time in which nobody watched. A wall clock that was
// stepped back meanwhile is followed first.
func (s *Station) takeUp(rebooted bool) {
	at := s.o.Now().Round(0).Round(time.Millisecond)
	last := s.o.Engine.Now()
	if last.IsZero() {
		return
	}
	if !at.After(last) {
		s.give(bench.Observation{At: at, Station: s.id, Fact: bench.Clock{Jump: at.Sub(last)}})
		at, last = at.Add(time.Millisecond), at
	}
	gap := at.Sub(last)
	s.o.Logger.Info("the watch is taken up again", logkey.Station(s.id), logkey.Elapsed(gap))
	s.give(bench.Observation{At: at, Station: s.id, Fact: bench.Clock{Gap: gap, Rebooted: rebooted}})
	if !s.decided {
		s.autoArm(s.drawn) // a crash may have come before it
	}
	s.publish(s.o.Now())
}
