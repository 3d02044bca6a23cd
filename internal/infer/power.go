package infer

import (
	"slices"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// maxBlock bounds the readings kept of one second; more change no median.
const maxBlock = 128

// power takes one reading. What flows on USB bus power is kept apart: it tells
// whether the bus feeds the board, not what the board does.
func (e *Engine) power(t ms, p bench.Power) {
	switch p.Channel {
	case "", bench.ChannelMain:
	case bench.ChannelVBUS:
		e.vbus(t, p)
		return
	default:
		return
	}
	if on, ok := p.Output.Get(); ok && !on {
		e.outputOff(t)
	}
	s := &e.s.Power
	s.Volts = p.Volts
	if p.SetVolts.Known() {
		s.Set = p.SetVolts
	}
	if p.LimitAmps.Known() {
		s.Limit = p.LimitAmps
	}
	amps, ok := p.Amps.Get()
	if !ok {
		e.s.Counts.BadReadings++
		return
	}
	e.s.Counts.Readings++
	e.inSight(t)
	s.interval(t, e.s.Gap.To)
	s.Last, s.Amps = t, amps
	e.closeBlock(t)
	if n := len(s.Block); n < maxBlock {
		if n > 0 {
			s.Steps += max(amps-s.Block[n-1], s.Block[n-1]-amps)
		}
		s.Block = append(s.Block, amps)
	}
	e.gather(t, amps)
	e.sort(t, amps)
	e.watchVolts(t, amps)
}

// vbus takes one reading of a meter on USB bus power.
func (e *Engine) vbus(t ms, p bench.Power) {
	v := &e.s.VBUS
	v.At, v.Amps, v.Volts = t, p.Amps, p.Volts
	if amps, ok := p.Amps.Get(); !ok || amps > e.p.OffHigh() {
		v.Off = streak{}
		return
	}
	v.Off.add(t)
}

// sort adds the reading to the streaks it belongs to.
func (e *Engine) sort(t ms, amps unit.Current) {
	s := &e.s.Power
	if amps > e.p.OffHigh() && s.Off.N >= 2 && t-s.Off.Since >= millis(e.p.OffFor) {
		s.Was = s.Off.Since
	}
	if amps > e.p.StartsAbove {
		s.Off, s.Mid, s.Low = streak{}, streak{}, streak{}
		s.High.add(t)
		if s.High.N >= 2 && t-s.High.Since > staleFor {
			s.Was, s.Dip = 0, 0 // what bus power bridged is over
		}
		return
	}
	s.Ever, s.LastLow = true, t
	if s.Low.N == 0 {
		s.Dip = t
	}
	s.Low.add(t)
	s.High = streak{}
	if amps <= e.p.OffHigh() {
		s.Off.add(t)
		s.Mid = streak{}
	} else {
		s.Mid.add(t)
		s.Off = streak{}
		e.slideLow(t)
	}
}

// slideLow forgets an old low streak of a device that is still there on USB:
// a board that sleeps draws that little all night, and when it dies the first
// reading of its death must be a recent one. Dip keeps the true beginning.
func (e *Engine) slideLow(t ms) {
	s := &e.s.Power
	if e.s.USB.Present && t-s.Low.Since > together {
		s.Low = streak{N: 1, Since: t}
	}
}

// weak reports a current above StartsAbove that is nevertheless less than
// anything running or starting draws.
func (e *Engine) weak(amps unit.Current) bool {
	run, start := e.p.Spec(bench.Running), e.p.Spec(bench.Starting)
	if run == nil || start == nil {
		return false
	}
	b1, ok1 := run.Band(e.st.Hookup)
	b2, ok2 := start.Band(e.st.Hookup)
	return ok1 && ok2 && amps < min(b1.Low, b2.Low)
}

// watchVolts remembers when the volts sagged or the supply sat in its limit. The
// inrush of a board that comes back does both, and says nothing about why it
// went.
func (e *Engine) watchVolts(t ms, amps unit.Current) {
	s := &e.s.Power
	if amps > e.p.StartsAbove && s.LastLow != 0 && t-s.LastLow <= inrush {
		return
	}
	if limit, ok := s.Limit.Get(); ok && limit > 0 && amps >= limit-limit/50 {
		s.AtMax = t
	}
	v, ok := s.Volts.Get()
	if !ok {
		return
	}
	if v < s.reference()*9/10 {
		s.Sag, s.SagTo = t, v
		return
	}
	if amps <= e.p.StartsAbove {
		return
	}
	if s.Usual == 0 {
		s.Usual = v
	}
	s.Usual += (v - s.Usual) / 32
}

// reference is what the volts should be: the setting, or what they usually are.
func (s *powerState) reference() unit.Voltage {
	if set, ok := s.Set.Get(); ok && set > 0 {
		return set
	}
	return s.Usual
}

// interval keeps the median time between readings.
func (s *powerState) interval(t, gapEnd ms) {
	if s.Last == 0 || t == s.Last || t-s.Last > 60_000 || s.Last < gapEnd {
		return
	}
	s.Gaps[s.GapCount%len(s.Gaps)] = t - s.Last
	s.GapCount++
	n := min(s.GapCount, len(s.Gaps))
	sorted := s.Gaps
	slices.Sort(sorted[:n])
	s.Period = sorted[n/2]
}

// closeBlock ends the second under way: its median is the level, which one
// spike cannot move.
func (e *Engine) closeBlock(t ms) {
	s := &e.s.Power
	if s.BlockFrom == 0 {
		s.BlockFrom = t
	}
	if t-s.BlockFrom < 1000 {
		return
	}
	if n := len(s.Block); n > 0 {
		slices.Sort(s.Block)
		s.Level = unit.Some(s.Block[n/2])
		now := second{level: s.Block[n/2], swing: s.Block[n-1-trim(n)] - s.Block[trim(n)], step: s.Steps / unit.Current(max(n-1, 1)), n: n}
		s.Block, s.Steps = s.Block[:0], 0
		s.spread(now.level)
		e.watchLeft(s.BlockFrom, now)
		e.currentMoves(s.BlockFrom, now)
		e.weighSecond(now.lively())
		e.watchLevel(s.BlockFrom, now)
	}
	s.BlockFrom = t - (t-s.BlockFrom)%1000
}

// spreadOver is over how many seconds, about, the spread of the level is taken.
const spreadOver = 60

// spread follows how far the levels of a board are from their mean.
func (s *powerState) spread(level unit.Current) {
	s.Levels = min(s.Levels+1, spreadOver)
	s.Mean += (level - s.Mean) / unit.Current(s.Levels)
	s.Spread += (max(level-s.Mean, s.Mean-level) - s.Spread) / unit.Current(s.Levels)
}

// trim is how many readings at each end of a second are not looked at.
func trim(n int) int {
	if n < 5 {
		return 0
	}
	return max(n/10, 1)
}

// forget drops the level of what was before, which says nothing about a new run.
func (s *powerState) forget() {
	s.Level, s.Block, s.Steps, s.BlockFrom = unit.Maybe[unit.Current]{}, s.Block[:0], 0, 0
}

// blindLimit is how long the readings may be silent.
func (e *Engine) blindLimit() ms { return max(blindAfter, 10*e.s.Power.Period) }

// checkSight notices that the readings stopped.
func (e *Engine) checkSight(t ms) {
	s, v := &e.s.Power, &e.s.Supply
	if e.st.Hookup.Path == bench.FromBattery || v.Told {
		return
	}
	since := s.Last
	if since == 0 {
		since = v.Lost // never a reading: only a source that complains is lost
	}
	if since == 0 {
		return
	}
	if since = max(since, e.s.Gap.To); t-since <= e.blindLimit() {
		return
	}
	v.Lost, v.Told = since, true
	s.Off, s.Mid, s.Low, s.High, s.Dip = streak{}, streak{}, streak{}, streak{}, 0
	s.Level = unit.Maybe[unit.Current]{}
	e.emit(bench.SupplyLost, since, bench.EventData{Mode: e.s.Mode.Mode, Uptime: e.uptime(since), Why: e.whySilent(t, since)})
}

// inSight notes a good reading.
func (e *Engine) inSight(t ms) {
	v := &e.s.Supply
	if v.Told {
		e.emit(bench.SupplyBack, t, bench.EventData{Mode: e.s.Mode.Mode, Uptime: e.uptime(t), Why: []string{
			say("first good reading after %s without", (t - v.Lost).words()),
		}})
	}
	v.Lost, v.Told = 0, false
}

// supplyNews takes what the source says of the instrument. It explains a
// silence, it does not make one: the readings decide.
func (e *Engine) supplyNews(t ms, n bench.Supply) {
	v := &e.s.Supply
	if n.Change == bench.Back {
		return // the reading that follows says it
	}
	v.Reason, v.Heard = n.Error, t
	if n.Change == bench.Lost && v.Lost == 0 {
		v.Lost = t
	}
}

// blind reports that there are no readings to ask: a battery board, a supply
// out of sight, or one that has said nothing since the watch began.
func (e *Engine) blind(t ms) bool {
	return e.st.Hookup.Path == bench.FromBattery || e.s.Supply.Told ||
		e.s.Power.Last == 0 && t-e.s.First > blindAfter
}
