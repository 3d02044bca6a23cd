package ledger

import (
	"slices"
	"sync"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/trace"
)

// pendingLimit bounds what is kept while it cannot be written, in bytes: some
// hours of a bench.
const pendingLimit = 32 << 20

// sealAt is how many points a piece holds at most.
const sealAt = 4096

// Wiring is what a station is while it is followed: what a recording of it
// must say to be replayed.
type Wiring struct {
	Bench   string // the name of the bench
	Hookup  bench.Hookup
	Profile string
	Window  time.Duration // 0: the profile's
}

// recorder holds what was observed and is not committed yet, and which pieces
// of traces are committed and not yet folded into blocks.
type recorder struct {
	mu       sync.Mutex
	stations map[string]*line
	lanes    []*lane
	next     batch
	stretch  int64 // the last one given
	station  int64
	channel  int64
	piece    int64 // the last one committed
	size     int   // of what waits, in bytes
	c        *counters
	unread   int // pieces that could not be read at the opening
}

// line is one station.
type line struct {
	id      int64
	name    string
	stretch int64 // 0: it did not begin yet
	last    int64 // ms
	wiring  Wiring
	lanes   map[trace.Channel]*lane
	held    *state // saved at last, while more may come at that moment
}

// lane is one channel of a station.
type lane struct {
	id      int64
	line    *line
	channel trace.Channel
	points  []trace.Point // not sealed yet
	pieces  []piece       // committed, not folded
	first   int64         // how long its first block is, ms; 0: it was made
	grown   bool          // since the keeper looked for idle ones
}

// piece is a second or so of one channel, packed.
type piece struct {
	lane        *lane
	number      int64 // once committed
	stretch     int64
	first, last int64 // ms
	n           int
	data        []byte
}

type state struct {
	line    *line
	stretch int64
	at      int64
	data    []byte
}

// Begin says that a station begins to be followed, or begins anew: what is
// recorded of it from now on is a stretch of its own.
func (l *Ledger) Begin(station string, at time.Time, w Wiring) {
	r := &l.rec
	r.mu.Lock()
	defer r.mu.Unlock()
	ln := r.line(station)
	ln.wiring = w
	r.begin(ln, at.UnixMilli(), true)
}

// TakeUp says that the watch of a station goes on where the ledger left it: what
// is recorded from now on is a stretch of its own, that did not begin anew.
func (l *Ledger) TakeUp(station string, at time.Time, w Wiring) {
	r := &l.rec
	r.mu.Lock()
	defer r.mu.Unlock()
	ln := r.line(station)
	ln.wiring = w
	r.begin(ln, at.UnixMilli(), false)
}

// Record takes one observation, exactly as infer is given it. Its time never
// goes back within a station but by a step of the clock.
func (l *Ledger) Record(o bench.Observation) {
	urgent := l.rec.record(o)
	if urgent {
		l.hurry()
	}
}

// SaveState takes what inference remembers of a station after all that was
// recorded of it, and the moment up to which it has followed time: nothing is
// recorded of an earlier one any more. What is saved before anything is recorded of
// a stretch is committed with its beginning. The slice is kept.
func (l *Ledger) SaveState(station string, now time.Time, data []byte) {
	r := &l.rec
	r.mu.Lock()
	defer r.mu.Unlock()
	ln := r.line(station)
	if ln.stretch != 0 {
		ln.held = &state{ln, ln.stretch, ln.last, data}
	}
	if now.UnixMilli() > ln.last {
		r.ripen(ln) // nor of that moment
	}
}

func (r *recorder) record(o bench.Observation) (urgent bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	ln, at := r.line(o.Station), o.At.UnixMilli()
	if ln.stretch == 0 || at < ln.last {
		r.begin(ln, at, ln.stretch == 0)
	}
	if at > ln.last {
		r.ripen(ln)
	}
	ln.held, ln.last = nil, at
	if channel, p, ok := trace.Of(o); ok {
		a := r.lane(ln, channel)
		a.points = append(a.points, p)
		r.c.readings.Add(1)
		if len(a.points) >= sealAt {
			r.seal(a)
		}
		return false
	}
	kind, data, err := encodeFact(o.Fact)
	if err != nil {
		r.c.droppedFacts.Add(1)
		return false
	}
	f := factRow{station: ln.id, stretch: ln.stretch, at: at, kind: kind, data: data}
	if m, ok := o.Fact.(bench.Mark); ok {
		f.mark = m.Kind
	}
	r.size += len(data) + 64
	r.next.facts = append(r.next.facts, f)
	return kind == kindMark
}

// begin starts a stretch.
func (r *recorder) begin(ln *line, at int64, anew bool) {
	for _, a := range ln.lanes {
		r.seal(a)
	}
	r.ripen(ln)
	r.stretch++
	ln.stretch, ln.last = r.stretch, firstMoment // a source may have stamped a moment before
	r.next.stretches = append(r.next.stretches, stretchRow{id: r.stretch, station: ln.id, began: at, anew: anew, wiring: ln.wiring})
}

// ripen lets a saved state stand, since nothing more comes at its moment.
func (r *recorder) ripen(ln *line) {
	if ln.held == nil {
		return
	}
	r.next.states = slices.DeleteFunc(r.next.states, func(s *state) bool { return s.line == ln && s.at != firstMoment })
	r.next.states = append(r.next.states, ln.held)
	ln.held = nil
}

// settle lets all saved states stand: nothing more comes.
func (r *recorder) settle() {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, ln := range r.stations {
		r.ripen(ln)
	}
}

func (r *recorder) line(station string) *line {
	ln := r.stations[station]
	if ln == nil {
		r.station++
		ln = &line{id: r.station, name: station, lanes: map[trace.Channel]*lane{}}
		r.stations[station] = ln
		r.next.stations = append(r.next.stations, ln)
	}
	return ln
}

func (r *recorder) lane(ln *line, c trace.Channel) *lane {
	a := ln.lanes[c]
	if a == nil {
		r.channel++
		a = &lane{id: r.channel, line: ln, channel: c}
		// The first blocks end at different moments, so that all later ones do.
		a.first = blockLasts.Milliseconds() * (1 + a.id*37%60) / 60
		ln.lanes[c] = a
		r.lanes = append(r.lanes, a)
		r.next.channels = append(r.next.channels, a)
	}
	return a
}

// seal packs a lane's points. What cannot be packed is dropped and counted.
func (r *recorder) seal(a *lane) {
	if len(a.points) == 0 {
		return
	}
	data, err := trace.Encode(a.points)
	if err != nil {
		r.c.droppedPoints.Add(uint64(len(a.points)))
		a.points = a.points[:0]
		return
	}
	r.next.pieces = append(r.next.pieces, piece{
		lane: a, stretch: a.line.stretch, n: len(a.points), data: slices.Clip(data),
		first: a.points[0].At, last: a.points[len(a.points)-1].At,
	})
	r.size += len(data)
	a.points = a.points[:0]
}

// take hands over what waits: everything, or what happened up to now on the
// stations of some events, so that frequent events make no crumbs of readings.
func (r *recorder) take(all bool, adds []appended) *batch {
	r.mu.Lock()
	defer r.mu.Unlock()
	if all {
		for _, a := range r.lanes {
			r.seal(a)
		}
	}
	for _, a := range adds {
		for _, e := range a.events {
			for _, a := range r.line(e.Station).lanes {
				r.seal(a)
			}
		}
		for _, al := range a.alerts {
			r.line(al.Station)
		}
	}
	b := r.next
	b.firstPiece = r.piece + 1
	r.next = batch{}
	if !all {
		b.states, r.next.states = b.first()
	}
	return &b
}

// finish follows what became of a batch: what is committed waits to be folded,
// what is not waits for the next time.
func (r *recorder) finish(b *batch, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err != nil {
		b.join(&r.next)
		r.next = *b
		r.shed()
		return
	}
	for i := range b.pieces {
		p := &b.pieces[i]
		p.number = b.firstPiece + int64(i)
		r.size -= len(p.data)
		p.lane.pieces, p.lane.grown = append(p.lane.pieces, *p), true
	}
	for _, f := range b.facts {
		r.size -= len(f.data) + 64
	}
	r.piece += int64(len(b.pieces))
	if len(b.pieces) > 0 {
		r.c.frames.Add(1)
	}
}

// shed drops the oldest pieces, then facts but for marks, while too much waits.
func (r *recorder) shed() {
	for r.size > pendingLimit && len(r.next.pieces) > 0 {
		p := r.next.pieces[0]
		r.next.pieces = r.next.pieces[1:]
		r.size -= len(p.data)
		r.c.droppedPoints.Add(uint64(p.n))
	}
	if r.size > pendingLimit {
		r.next.facts = slices.DeleteFunc(r.next.facts, func(f factRow) bool {
			if f.mark != "" || r.size <= pendingLimit {
				return false
			}
			r.size -= len(f.data) + 64
			r.c.droppedFacts.Add(1)
			return true
		})
	}
}
