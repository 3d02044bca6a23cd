package app

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"sync"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
)

// mostRemembered bounds what is kept of one mode of one profile: the newest.
const mostRemembered = 200

// memory is the work that has ended on this bench and the goals that are armed, from the file of events and
// from this watch. The zero memory knows nothing.
type memory struct {
	mu    sync.Mutex // guards all below
	stays map[worked][]bench.Stay
	armed map[string]*bench.WatchView // by station
}

// worked is what is remembered apart.
type worked struct {
	profile string
	mode    bench.Mode
}

func (m *memory) add(s *bench.Stay) {
	if s == nil {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.stays == nil {
		m.stays = map[worked][]bench.Stay{}
	}
	of := worked{s.Profile, s.Mode}
	stays := append(m.stays[of], *s)
	if n := len(stays); n > mostRemembered {
		stays = slices.Clone(stays[n-mostRemembered:])
	}
	m.stays[of] = stays
}

// follow takes what is told of a watch.
func (m *memory) follow(n *bench.WatchNews) {
	if n == nil {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.armed == nil {
		m.armed = map[string]*bench.WatchView{}
	}
	if n.Armed == nil {
		delete(m.armed, n.Station)
		return
	}
	m.armed[n.Station] = n.Armed
}

// forgot is the goal that was armed on a station when the program last stopped,
// nil where there was none. It is not armed again by itself: nobody saw whether
// it is the same run that goes on.
func (m *memory) forgot(station string) *bench.WatchView {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.armed[station]
}

// allForgot are the goals of all stations, by station.
func (m *memory) allForgot() map[string]*bench.WatchView {
	m.mu.Lock()
	defer m.mu.Unlock()
	return maps.Clone(m.armed)
}

// learnt is what the work of a profile taught.
func (m *memory) learnt(profile string) (out infer.Learnt) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, mode := range bench.Modes() {
		out.Stays = append(out.Stays, m.stays[worked{profile, mode}]...)
	}
	return out
}

// recall reads the work that a file of events tells of, and returns how many of
// its lines are no events: after a crash, the last may be torn.
func (m *memory) recall(r io.Reader) (torn uint64, err error) {
	lines := bufio.NewReader(r)
	for {
		line, err := lines.ReadBytes('\n')
		if line = bytes.TrimSpace(line); len(line) > 0 {
			s, bad := bench.ParseStay(line)
			if bad != nil {
				torn++
			}
			m.add(s)
			news, wrong := bench.ParseWatchNews(line)
			if bad == nil && wrong != nil {
				torn++
			}
			m.follow(news)
		}
		switch {
		case errors.Is(err, io.EOF):
			return torn, nil
		case err != nil:
			return torn, err
		}
	}
}

// recallFile is recall of a file.
func (m *memory) recallFile(name string) (torn uint64, err error) {
	f, err := os.Open(name)
	if err != nil {
		return 0, fmt.Errorf("learn from %s: %w", name, err)
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	if torn, err = m.recall(f); err != nil {
		err = fmt.Errorf("learn from %s: %w", name, err)
	}
	return torn, err
}

// newsOf is what an event tells of a watch, nil for nothing.
func newsOf(e bench.Event) *bench.WatchNews {
	switch e.Type {
	case bench.WatchDone, bench.WatchFailed:
		return &bench.WatchNews{Station: e.Station}
	case bench.WatchArmed:
		if g, err := bench.ParseGoal(e.Data.Goal); err == nil {
			return &bench.WatchNews{Station: e.Station, Armed: &bench.WatchView{Goal: g, By: e.Data.By, Armed: e.Time}}
		}
	}
	return nil
}
