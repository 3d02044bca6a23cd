package app

import (
	"context"
	"encoding/json"
	"maps"
	"sync"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/recording"
)

// followQueue is how many observations a follower may be behind: some ten
// seconds of forty stations.
const followQueue = 4096

// followers gives observations to whoever follows them live. A follower that
// falls behind is let go, with its channel closed, rather than waited for or
// given a recording with holes.
type followers struct {
	mu     sync.Mutex // guards all below
	all    map[*follower]bool
	closed bool
}

type follower struct {
	station string // only this one; empty: all
	lines   chan []byte
}

// add subscribes.
func (f *followers) add(station string) (<-chan []byte, func()) {
	w := &follower{station: station, lines: make(chan []byte, followQueue)}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed {
		close(w.lines)
		return w.lines, func() {}
	}
	if f.all == nil {
		f.all = map[*follower]bool{}
	}
	f.all[w] = true
	return w.lines, func() { f.remove(w) }
}

func (f *followers) remove(w *follower) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.all[w] {
		delete(f.all, w)
		close(w.lines)
	}
}

// any reports whether somebody follows.
func (f *followers) any() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.all) > 0
}

// give hands a line to those who follow the station.
func (f *followers) give(station string, line []byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for w := range f.all {
		if w.station != "" && w.station != station {
			continue
		}
		select {
		case w.lines <- line:
		default:
			delete(f.all, w)
			close(w.lines)
		}
	}
}

// close lets everybody go.
func (f *followers) close() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closed = true
	for w := range maps.Keys(f.all) {
		delete(f.all, w)
		close(w.lines)
	}
}

// settleFor is how long after subscribing the snapshots are looked at: by then
// they show every change that was observed before.
const settleFor = 3 * time.Second / 10

// follow subscribes to the observations of one station, or of all. A recording
// that begins in the middle says first how the stations are wired and what
// stands on their ports; a change that falls between is said twice, which
// means nothing to infer, and never lost.
func (a *assembly) follow(ctx context.Context, station string) (first [][]byte, lines <-chan []byte, cancel func()) {
	began := a.now()
	lines, cancel = a.record.followers.add(station)
	select {
	case <-time.After(settleFor):
	case <-ctx.Done():
	}
	h := a.setup.Load().plan.header()
	h.Recording = recording.Version
	maps.DeleteFunc(h.Stations, func(id string, _ recording.Stations) bool { return station != "" && id != station })
	if b, err := json.Marshal(h); err == nil {
		first = append(first, b)
	}
	for _, s := range a.snapshots() {
		if station != "" && s.Station != station || !s.Hookup.USB {
			continue
		}
		if b, err := recording.Encode(standing(s, began)); err == nil {
			first = append(first, b)
		}
	}
	return first, lines, cancel
}

func (a *assembly) now() time.Time {
	if a.plan.Now != nil {
		return a.plan.Now()
	}
	return time.Now()
}

// standing is the observation of what stands on a station's port.
func standing(s bench.Snapshot, at time.Time) bench.Observation {
	u := bench.USB{Change: bench.USBRemove, Port: s.Port}
	if s.USB.Present {
		u = bench.USB{Change: bench.USBAdd, Port: s.Port, ID: s.USB.ID, Serial: s.USB.Serial}
	}
	return bench.Observation{At: at, Station: s.Station, Fact: u}
}
