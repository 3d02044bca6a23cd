package bench

import (
	"fmt"
	"strings"
	"time"
)

// Tidy is the mark without spaces around its words, and with its screen
// written as Screens lists it, however somebody wrote it: "Lock-Screen" is
// "lock screen".
func (m Mark) Tidy() Mark {
	m.Kind, m.By, m.Text = strings.TrimSpace(m.Kind), strings.TrimSpace(m.By), strings.TrimSpace(m.Text)
	if m.Kind != MarkScreen {
		return m
	}
	words := strings.Join(strings.Fields(strings.NewReplacer("-", " ", "_", " ").Replace(m.Text)), " ")
	for _, s := range Screens() {
		if strings.EqualFold(words, string(s)) {
			m.Text = string(s)
		}
	}
	return m
}

// Fits says why a mark makes no sense on the station as it is now. A snapshot
// is up to a tenth of a second old, so it can let one pass that changes nothing.
func (s *Snapshot) Fits(m Mark) error {
	switch {
	case m.Kind == MarkStop:
		return s.stops()
	case m.Kind == MarkResume && !s.Resumable():
		return fmt.Errorf("no run of %s goes on under power after a stop by mistake: the next one starts by itself", s.Station)
	case m.Kind == MarkArm && s.Waiting:
		return s.waits()
	case m.Kind == MarkMine && !s.Dropped(MineWithin) && !s.cableOut():
		return fmt.Errorf("nothing dropped on %s in the last %.0f minutes that could be yours%s", s.Station, MineWithin.Minutes(), s.because())
	case m.Kind == MarkDone && s.Watch == nil:
		return fmt.Errorf("no goal is armed on %s that could be done", s.Station)
	case m.Kind == MarkDisarm && s.Watch == nil && s.LastWatch == nil && s.Forgotten == nil:
		return fmt.Errorf("no goal is armed on %s", s.Station)
	}
	return nil
}

// stops says why there is nothing to stop. A drop that has just been can still
// be called a stop.
func (s *Snapshot) stops() error {
	if s.Run != nil || s.Dropped(StopWithin) {
		return nil
	}
	return fmt.Errorf("no run goes on on %s that could be stopped%s", s.Station, s.because())
}

// Resumable reports a run that was stopped by a mark and may go on: nothing was
// off since.
func (s *Snapshot) Resumable() bool {
	l := s.LastRun
	return s.Waiting && l != nil && l.EndedAs == RunStopped && l.Kind == StoppedByMark
}

// StillPowered reports a board that was stopped and has power all the same:
// nobody watches it.
func (s *Snapshot) StillPowered() bool {
	amps, known := s.Reading.Amps.Get()
	return s.Waiting && (known && amps > 0 && s.SupplyLost.IsZero() || s.USB.Present && s.USBLost.IsZero())
}

// waits says why a goal would wait for nothing.
func (s *Snapshot) waits() error {
	or := ""
	if s.Resumable() {
		or = ". If the stop was a mistake, mark " + MarkResume + " first"
	}
	return fmt.Errorf("the run of %s was stopped: the next one begins after the board was off, and a goal can be armed then%s", s.Station, or)
}

// because says what to think of first, where a mark is refused for want of a
// run or a drop.
func (s *Snapshot) because() string {
	switch {
	case s.Run != nil && s.Run.Suspect:
		return ": a drop is only suspected, try again in a second"
	case s.Run == nil && s.LastRun != nil && s.LastRun.EndedAs == RunStopped:
		return ": the last one is counted as stopped already"
	}
	return ""
}

// Dropped reports that the last run dropped, and not longer ago than this.
func (s *Snapshot) Dropped(within time.Duration) bool {
	l := s.LastRun
	return l != nil && l.EndedAs == RunDropped && s.At.Sub(l.End) <= within
}

// cableOut reports a device that left the bus during the run that goes on. That
// is no drop, but may be somebody's doing too, and profiles are learned from it.
func (s *Snapshot) cableOut() bool {
	return s.Run != nil && !s.USB.Present && s.USB.Gone.After(s.Run.Start)
}
