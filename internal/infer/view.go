package infer

import (
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// View fills in what the Engine knows of a snapshot taken at bench time now.
func (e *Engine) View(now time.Time, s *bench.Snapshot) {
	st := &e.s
	s.Station, s.Profile, s.Hookup, s.At = e.st.ID, e.p.Name, e.st.Hookup, now
	s.Case = st.Case
	s.Mode, s.Label, s.ModeSince = st.Mode.Mode, e.p.Label(st.Mode.Mode), e.shownAt(st.Mode.Since)
	s.Gap = e.gapView()
	s.Window = e.window.span()
	s.Run, s.LastRun = e.runView(now), e.lastRunView()
	s.Reading = bench.ReadingView{At: e.shownAt(st.Power.Last), Volts: st.Power.Volts}
	if st.Power.Last != 0 {
		s.Reading.Amps = unit.Some(st.Power.Amps)
	}
	s.USB = e.usbView()
	s.VBUS = bench.ReadingView{At: e.shownAt(st.VBUS.At), Volts: st.VBUS.Volts, Amps: st.VBUS.Amps}
	s.Temperature = bench.TemperatureView{At: e.shownAt(st.Warmth.At), Celsius: st.Warmth.Celsius}
	s.Waiting = st.Run.Blocked
	s.Screen = bench.ScreenView{Screen: st.Screen.Screen, At: e.shownAt(st.Screen.At), By: st.Screen.By}
	if e.handsOn(st.Now) {
		s.HandsOn = e.shownAt(st.Hands)
	}
	s.Stalled, s.StartHung = e.shownAt(st.Move.Stalled), st.Mode.Hung && st.Mode.Mode == bench.Starting && st.Run.Active
	s.SupplyError, s.USBError = e.complaint(st.Supply), e.complaint(st.Source)
	if st.Supply.Told {
		s.SupplyLost = e.shownAt(st.Supply.Lost)
	}
	if st.Source.Told {
		s.USBLost = e.shownAt(st.Source.Lost)
	}
	s.Counts = st.Counts
	s.Needs, s.Odds = e.expect()
	c := &st.Current
	s.Current = bench.CurrentView{High: e.shownAt(c.High), HighKind: c.Kind, Drifting: e.shownAt(c.Drifting), Collapsed: e.shownAt(c.Collapsed)}
	s.Watch, s.LastWatch = e.watchView(), e.lastWatchView()
}

func (e *Engine) usbView() bench.USBView {
	u := &e.s.USB
	v := bench.USBView{Present: u.Present, ID: u.ID, Serial: u.Serial, Since: e.shownAt(u.Since), URBs: u.URBs}
	if !u.Present {
		v.Gone, v.Overdue = e.shownAt(u.Gone), e.overdue(e.s.Now)
	}
	return v
}

// complaint is what a source last complained of, while it is news.
func (e *Engine) complaint(v sightState) string {
	if v.Told || v.Heard != 0 && e.s.Now-v.Heard < reasonFor {
		return v.Reason
	}
	return ""
}

func (e *Engine) runView(now time.Time) *bench.RunView {
	r := &e.s.Run
	if !r.Active {
		return nil
	}
	start := e.wall(r.Start)
	return &bench.RunView{
		Start: start, Assumed: r.Assumed, Uptime: max(now.Sub(start), 0), Origin: e.shownAt(r.Origin),
		SureFrom: e.shownAt(r.NotBefore), WindowMet: e.metAt(r.Origin, r.Met), Suspect: !e.s.Gap.Open && e.suspect(e.s.Now),
	}
}

func (e *Engine) lastRunView() *bench.RunView {
	l := &e.s.Last
	if l.End == 0 {
		return nil
	}
	return &bench.RunView{
		Start: e.wall(l.Start), Assumed: l.Assumed, Uptime: (l.End - l.Start).span(), Origin: e.shownAt(l.Origin),
		WindowMet: e.metAt(l.Origin, l.Met), End: e.wall(l.End), EndedAs: l.Type, Kind: l.Kind,
	}
}

// metAt is when the window was met, not when that was concluded.
func (e *Engine) metAt(origin, met ms) time.Time {
	if met == 0 {
		return time.Time{}
	}
	return e.wall(origin + e.window)
}

// shownAt is wall time, or the zero time for never.
func (e *Engine) shownAt(t ms) time.Time {
	if t == 0 {
		return time.Time{}
	}
	return e.wall(t)
}
