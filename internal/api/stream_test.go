package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
	"benchvigil/internal/unit"
)

// dropEvent is the event of a number, of s1 where that is odd and of s2 where it is even.
func dropEvent(n int64) bench.Event {
	return bench.Event{
		Station: fmt.Sprintf("s%d", 2-n%2), Type: bench.RunDropped, Time: moment.Add(time.Duration(n) * time.Second),
		Concluded: moment.Add(time.Duration(n) * time.Second), Count: uint64(n),
		Data: bench.EventData{Kind: bench.Died, Uptime: unit.Some(time.Minute), Why: []string{"it is off"}},
	}
}

// tail holds so many events, and two stations.
type tail struct {
	mu    sync.Mutex
	n     int64
	err   error
	label string // of s1
	amps  unit.Current
}

func (t *tail) Since(_ context.Context, seq int64, most int) (out []chart.Happened, _ []string, _ error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for n := seq + 1; n <= t.n && len(out) < most; n++ {
		e := dropEvent(n)
		out = append(out, chart.Happened{Seq: n, Station: e.Station, Event: e.Envelope("north")})
	}
	return out, nil, t.err
}

func (t *tail) Last(context.Context) (int64, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.n, t.err
}

func (t *tail) snapshots() []bench.Snapshot {
	t.mu.Lock()
	defer t.mu.Unlock()
	return []bench.Snapshot{
		{Station: "s1", Label: t.label, At: time.Now(), Reading: bench.ReadingView{At: time.Now(), Amps: unit.Some(t.amps)}},
		{Station: "s2"},
	}
}

func (t *tail) change(do func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	do()
}

// bench serves a stream of a tail until the test ends.
func (t *tail) serve(tb testing.TB, past api.Tail) (h http.Handler, s *api.Stream, stop func()) {
	tb.Helper()
	s = api.NewStream(api.StreamOptions{Snapshots: t.snapshots, Tail: past, Logger: zap.NewNop()})
	ctx, cancel := context.WithCancel(tb.Context())
	var wg sync.WaitGroup
	wg.Go(func() { _ = s.Run(ctx) })
	stop = func() { cancel(); wg.Wait() }
	tb.Cleanup(stop)
	return api.New(api.Options{Snapshots: t.snapshots, Logger: zap.NewNop(), Stream: s}), s, stop
}

// listener reads a stream message by message.
type listener struct {
	*httptest.ResponseRecorder
	pieces chan []byte // unbuffered: whoever does not take one lets the stream wait
	rest   []byte
	last   string // id of the message taken last
	cancel func()
	done   chan struct{} // closed when the stream is over
}

func (l *listener) Write(b []byte) (int, error) {
	select {
	case l.pieces <- bytes.Clone(b):
		return len(b), nil
	case <-l.done:
		return 0, errors.New("gone")
	}
}

func listen(t *testing.T, h http.Handler, query, last string) *listener {
	t.Helper()
	ctx, cancel := context.WithCancel(working(t))
	r := httptest.NewRequestWithContext(ctx, http.MethodGet, "/api/v1/stream"+query, http.NoBody)
	if last != "" {
		r.Header.Set("Last-Event-ID", last)
	}
	gone := make(chan struct{})
	l := &listener{ResponseRecorder: httptest.NewRecorder(), pieces: make(chan []byte), last: last, done: make(chan struct{})}
	var once sync.Once
	l.cancel = func() { cancel(); once.Do(func() { close(l.done) }); <-gone }
	go func() {
		defer close(gone)
		h.ServeHTTP(l, r)
		close(l.pieces)
	}()
	t.Cleanup(l.cancel)
	return l
}

type heard struct {
	id, name string
	data     map[string]any
}

// next is the next message; false where the stream is over. Comments and
// instructions are passed over.
func (l *listener) next(t *testing.T) (heard, bool) {
	t.Helper()
	for {
		text, rest, whole := strings.Cut(string(l.rest), "\n\n")
		if !whole {
			piece, open := <-l.pieces
			if !open {
				return heard{}, false
			}
			l.rest = append(l.rest, piece...)
			continue
		}
		l.rest = []byte(rest)
		var m heard
		for line := range strings.SplitSeq(text, "\n") {
			field, value, _ := strings.Cut(line, ": ")
			switch field {
			case "id":
				m.id = value
			case "event":
				m.name = value
			case "data":
				if err := json.Unmarshal([]byte(value), &m.data); err != nil {
					t.Fatalf("%v: %s", err, value)
				}
			}
		}
		if m.name != "" {
			l.last = m.id
			return m, true
		}
	}
}

// until takes messages up to one of a name that is not of the beginning.
func (l *listener) skip(t *testing.T, name string, n int) {
	t.Helper()
	for range n {
		if m, open := l.next(t); !open || m.name != name {
			t.Fatalf("%+v, want %s", m, name)
		}
	}
}

// However often a client is cut off, it gets every event once, in order.
func TestStreamResumes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		past := &tail{n: 3}
		h, _, _ := past.serve(t, past)
		rnd := rand.New(rand.NewPCG(1, 2)) //nolint:gosec // the same each time
		const most = 2000
		var got []string
		var want []string
		for n := int64(4); n <= most; n++ {
			want = append(want, dropEvent(n).ID())
		}
		begun := make(chan struct{})
		go func() {
			<-begun
			for range most - 3 {
				time.Sleep(time.Duration(rnd.IntN(20)) * time.Millisecond)
				past.change(func() { past.n++ })
			}
		}()
		lengths := rand.New(rand.NewPCG(3, 4)) //nolint:gosec // the same each time
		for last := ""; len(got) < len(want); {
			l := listen(t, h, "", last)
			if last == "" {
				l.skip(t, "station", 2)
				close(begun)
			}
			for range 1 + lengths.IntN(60) {
				m, open := l.next(t)
				switch {
				case !open || m.name == "gap":
					t.Fatalf("after %d: %+v", len(got), m)
				case m.name == "event":
					got = append(got, m.data["id"].(string))
				}
				if len(got) == len(want) {
					break
				}
			}
			last = l.last
			l.cancel()
		}
		if !slices.Equal(got, want) {
			t.Errorf("%d events came, %d happened, or in another order", len(got), len(want))
		}
	})
}

// A client that takes nothing is dropped; another one misses nothing by it.
func TestSlowClientIsDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		past := &tail{}
		h, s, _ := past.serve(t, past)
		slow, quick := listen(t, h, "", ""), listen(t, h, "", "")
		slow.skip(t, "station", 2)
		quick.skip(t, "station", 2)
		for range 400 {
			past.change(func() { past.n++ })
			quick.skip(t, "event", 1)
		}
		if s.Dropped() != 1 {
			t.Errorf("%d were dropped, want the slow one", s.Dropped())
		}
		n := 0
		for {
			if _, open := slow.next(t); !open {
				break
			}
			n++
		}
		if n == 0 || n > 300 {
			t.Errorf("the slow one had %d messages waiting", n)
		}
		last := slow.last
		again := listen(t, h, "", last)
		again.skip(t, "event", 400-n)
	})
}

// What stands comes first; a change of a station is told, a reading is none.
func TestStreamOfStations(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		past := &tail{label: "off"}
		h, _, _ := past.serve(t, past)
		one, other := listen(t, h, "?station=s1", ""), listen(t, h, "?station=s2", "")
		one.skip(t, "station", 1)
		other.skip(t, "station", 1)
		past.change(func() { past.amps = unit.Ampere })
		time.Sleep(time.Second)
		past.change(func() { past.label = "running"; past.n = 1 })
		if m, _ := one.next(t); m.name != "event" || m.id != "1" {
			t.Errorf("%+v", m)
		}
		if m, _ := one.next(t); m.name != "station" || m.data["label"] != "running" || m.data["station"] != "s1" {
			t.Errorf("%+v", m)
		}
		past.change(func() { past.n = 2 })
		if m, _ := other.next(t); m.name != "event" || m.id != "2" {
			t.Errorf("of another station: %+v", m)
		}
	})
}

// What a stream cannot go back to is said once.
func TestGaps(t *testing.T) {
	for _, tt := range []struct {
		name, last, says string
		n                int64
		none             bool
	}{
		{"of another bench", "zzz", "none that this bench gave", 5, false},
		{"nonsense", "\x01'", "none that this bench gave", 5, false},
		{"too long ago", "1", "10400 events were missed", 10401, false},
		{"no ledger", "", "keeps no ledger", 0, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				past := &tail{n: tt.n}
				var from api.Tail = past
				if tt.none {
					from = nil
				}
				h, _, _ := past.serve(t, from)
				l := listen(t, h, "", tt.last)
				if m, _ := l.next(t); m.name != "gap" || !strings.Contains(fmt.Sprint(m.data["why"]), tt.says) {
					t.Errorf("%+v", m)
				}
				l.skip(t, "station", 2)
				if tt.none {
					return
				}
				past.change(func() { past.n++ })
				l.skip(t, "event", 1)
			})
		})
	}
}

// A stream ends when the bench stops, and when who reads it may no longer; until
// then there is a sign of life.
func TestStreamLivesAndEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		past := &tail{}
		h, _, stop := past.serve(t, past)
		revoked, other := listen(t, h, "", ""), listen(t, h, "", "")
		revoked.skip(t, "station", 2)
		other.skip(t, "station", 2)
		began := time.Now()
		if piece := <-other.pieces; !bytes.HasPrefix(piece, []byte(": ")) || time.Since(began) > 11*time.Second {
			t.Errorf("%q after %v", piece, time.Since(began))
		}
		revoked.cancel()
		if _, open := <-revoked.pieces; open {
			t.Error("it goes on after its end")
		}
		stop()
		if _, open := other.next(t); open {
			t.Error("it goes on though the bench stopped")
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequestWithContext(working(t), http.MethodGet, "/api/v1/stream", http.NoBody))
		if w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "stopping") {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	})
}

// While what happens cannot be read stations go on, and nothing is left out later.
func TestStreamThroughTrouble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		past := &tail{}
		h, _, _ := past.serve(t, past)
		l := listen(t, h, "", "")
		l.skip(t, "station", 2)
		past.change(func() { past.err = errors.New("disk"); past.n = 0; past.label = "running" })
		l.skip(t, "station", 1)
		past.change(func() { past.err = nil; past.n = 3 })
		l.skip(t, "event", 3)
	})
}
