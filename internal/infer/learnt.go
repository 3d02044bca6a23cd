package infer

import (
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/stats"
)

// Learnt is what work taught before this watch began: how long restores and
// re-pairings took, and how long they stood still within. What is of other
// profiles is passed over.
type Learnt struct{ Stays []bench.Stay }

// What is learnt from.
const (
	leastStays = 8             // finished ones, before limits are learnt from them
	shortStay  = time.Minute   // shorter ones are a mode misread for a moment
	mostStays  = 200           // of one mode: the newest
	interlude  = ms(5 * 60000) // a restart within a restore is over by then
)

// A finished watch that stood still for long proves that standing still so long
// is no stall. The limit is the upper end of the range in which all but one in a
// hundred lie, by a Weibull fit; with few watches that range is wide, so the
// limit is at most half as much again as the longest seen.
const (
	quietShare      = 0.99
	quietConfidence = 0.90 // of two-sided limits: the upper one is passed one time in twenty
	quietMost       = 1.5
	quietTimes      = 4 // never longer than so many times what the profile says
)

// workState follows a restore or re-pairing, planned restarts within it
// included, until what usually follows comes.
type workState struct {
	Mode    bench.Mode // empty: none goes on
	Since   ms
	Assumed bool         // it was seen only from the middle on
	Away    ms           // another mode since, 0 none
	Moved   ms           // the last movement
	Quiet   ms           // the longest time between two
	Stays   []bench.Stay // what has ended on this station in this watch
}

// followWork takes a change of mode and adds to its event what work it ends.
func (e *Engine) followWork(at ms, d *bench.EventData) {
	w := &e.s.Work
	switch {
	case w.Mode == "":
	case d.To == w.Mode:
		if w.Away != 0 && at-w.Away > interlude {
			d.Ended = e.endWork(w.Away, false)
		}
		w.Away = 0
	case e.s.Run.Active && passing(d.To):
		if w.Away == 0 {
			w.Away = at
		}
	default:
		d.Ended = e.endWork(at, finishes(w.Mode, d.To))
	}
	if w.Mode == "" && isWork(d.To) {
		e.s.Work = workState{Mode: d.To, Since: at, Moved: at, Assumed: d.From == bench.Unknown, Stays: w.Stays}
	}
}

func isWork(m bench.Mode) bool { return m == bench.Restoring || m == bench.RePairing }

// passing reports modes that a restart within the work goes through.
func passing(m bench.Mode) bool {
	switch m {
	case bench.Unknown, bench.Starting, bench.Loader, bench.Recovery:
		return true
	}
	return false
}

// finishes reports the modes that follow the work when it is done.
func finishes(work, to bench.Mode) bool {
	return to == bench.Running || to == bench.Asleep || work == bench.Restoring && to == bench.RePairing
}

// endWork closes the work that went on. Nothing is learnt from one that was seen
// only from the middle on, or that was away for long before it ended.
func (e *Engine) endWork(at ms, finished bool) *bench.Stay {
	w := &e.s.Work
	if w.Away != 0 && at-w.Away > interlude {
		at, finished = w.Away, false
	}
	s := bench.Stay{Profile: e.p.Name, Mode: w.Mode, Lasted: (at - w.Since).span(), Quiet: max(w.Quiet, at-w.Moved).span(), Finished: finished}
	assumed := w.Assumed
	*w = workState{Stays: w.Stays}
	if assumed {
		return nil
	}
	w.Stays = newest(append(w.Stays, s))
	e.learn()
	return &s
}

// newest bounds what is kept.
func newest(stays []bench.Stay) []bench.Stay {
	return slices.Clone(stays[max(len(stays)-mostStays, 0):])
}

// watchQuiet follows how long the work stands still. Time in which a movement
// would not have been seen is none of it, nor is a standstill that ended with a
// person at the station: it proves nothing of those that end by themselves.
func (e *Engine) watchQuiet(t ms) {
	w := &e.s.Work
	switch {
	case w.Mode == "":
	case w.Away != 0 || e.handsOn(t) || !e.movementInSight(t):
		w.Moved = t
	case e.s.Move.Last > w.Moved:
		w.Quiet = max(w.Quiet, e.s.Move.Last-w.Moved)
		w.Moved = e.s.Move.Last
	}
}

// lesson is the learnt limit of one mode.
type lesson struct {
	mode  bench.Mode
	quiet ms
}

// learn draws the limits anew from all that has ended.
func (e *Engine) learn() {
	e.lessons = e.lessons[:0]
	for _, m := range []bench.Mode{bench.Restoring, bench.RePairing} {
		if q := believableQuiet(e.stays(m)); q > 0 {
			e.lessons = append(e.lessons, lesson{m, q})
		}
	}
}

// stays are the ended ones of a mode, from before this watch and from it.
func (e *Engine) stays(m bench.Mode) (out []bench.Stay) {
	for _, list := range [][]bench.Stay{e.st.Learnt.Stays, e.s.Work.Stays} {
		for _, s := range list {
			if s.Profile == e.p.Name && s.Mode == m && s.Lasted >= shortStay {
				out = append(out, s)
			}
		}
	}
	return newest(out)
}

// believableQuiet is how long finished work may be believed to stand still, 0
// while too little has finished.
func believableQuiet(stays []bench.Stay) ms {
	var quiet []stats.Span
	longest := 0.0
	for _, s := range stays {
		if s.Finished {
			q := max(s.Quiet, time.Second).Seconds()
			quiet = append(quiet, stats.Span{Length: q, Ended: true})
			longest = max(longest, q)
		}
	}
	if len(quiet) < leastStays {
		return 0
	}
	limit := quietMost * longest
	if w, err := stats.FitWeibull(quiet); err == nil {
		limit = min(limit, w.QuantileLimits(quietShare, quietConfidence).High)
	}
	return ms(1000 * max(limit, longest))
}

// quietLimit is how long a mode may be without movement before that is a
// stall; 0 means for ever. What finished work teaches makes the profile's limit
// longer, never shorter, and within bounds: a night on which a stall was got over
// must not hide the next.
func (e *Engine) quietLimit(m *profile.Spec) ms {
	own := millis(m.Quiet)
	for _, l := range e.lessons {
		if l.mode == m.Mode && own > 0 {
			return max(own, min(l.quiet, quietTimes*own))
		}
	}
	return own
}

// Without leaves out stays that a resumed State knows by itself: each would
// count twice.
func (l Learnt) Without(own []bench.Stay) Learnt {
	count := map[bench.Stay]int{}
	for _, s := range own {
		count[s]++
	}
	return Learnt{Stays: slices.DeleteFunc(slices.Clone(l.Stays), func(s bench.Stay) bool {
		count[s]--
		return count[s] >= 0
	})}
}
