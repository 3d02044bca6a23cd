package infer

import (
	"slices"

	"benchvigil/internal/bench"
)

// heldFact is one fact of a State that was observed but not yet taken: one
// field is set.
type heldFact struct {
	Power   *bench.Power     `json:",omitempty"`
	USB     *bench.USB       `json:",omitempty"`
	Traffic *bench.Traffic   `json:",omitempty"`
	Mark    *bench.Mark      `json:",omitempty"`
	Supply  *bench.Supply    `json:",omitempty"`
	Source  *bench.USBSource `json:",omitempty"`
}

func pack(facts []bench.Fact) (held []heldFact) {
	for _, f := range facts {
		var h heldFact
		switch f := f.(type) {
		case bench.Power:
			h.Power = &f
		case bench.USB:
			h.USB = &f
		case bench.Traffic:
			h.Traffic = &f
		case bench.Mark:
			h.Mark = &f
		case bench.Supply:
			h.Supply = &f
		case bench.USBSource:
			h.Source = &f
		}
		held = append(held, h)
	}
	return held
}

func unpack(held []heldFact) (facts []bench.Fact) {
	for _, h := range held {
		switch {
		case h.Power != nil:
			facts = append(facts, *h.Power)
		case h.USB != nil:
			facts = append(facts, *h.USB)
		case h.Traffic != nil:
			facts = append(facts, *h.Traffic)
		case h.Mark != nil:
			facts = append(facts, *h.Mark)
		case h.Supply != nil:
			facts = append(facts, *h.Supply)
		case h.Source != nil:
			facts = append(facts, *h.Source)
		}
	}
	return facts
}

// hold keeps what was observed at Now.
func (e *Engine) hold(f bench.Fact) {
	if len(e.held) == 0 {
		e.s.HeldBase = e.s.Base
	}
	e.held = append(e.held, f)
}

// takeHeld takes what was observed at Now, in an order of its own: whether a
// source can see before what it saw, the bus before the current, and people
// last, who look at what is there.
func (e *Engine) takeHeld() {
	if len(e.held) == 0 {
		return
	}
	if len(e.held) > 1 {
		slices.SortStableFunc(e.held, func(a, b bench.Fact) int { return turn(a) - turn(b) })
	}
	base := e.s.Base
	e.s.Base = e.s.HeldBase // the clock may have been stepped since
	for _, f := range e.held {
		e.take(e.s.Now, f)
	}
	e.held = e.held[:0]
	e.settle(e.s.Now)
	e.s.Base = base
}

// turn is a fact's place among those of the same moment.
func turn(f bench.Fact) int {
	switch f.(type) {
	case bench.USBSource:
		return 0
	case bench.Supply:
		return 1
	case bench.USB:
		return 2
	case bench.Traffic:
		return 3
	case bench.Power:
		return 4
	}
	return 5
}
