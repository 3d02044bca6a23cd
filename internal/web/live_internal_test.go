package web

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"benchvigil/internal/bench"
	"benchvigil/internal/fan"
)

// pipes is a listener whose connections are net.Pipes: nothing is buffered
// between server and client, and synctest's clock can pass while they wait.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
	once  sync.Once
}

func newPipes() *pipes { return &pipes{conns: make(chan net.Conn), done: make(chan struct{})} }

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error {
	p.once.Do(func() { close(p.done) })
	return nil
}

func (p *pipes) Addr() net.Addr { return pipeAddr{} }

type pipeAddr struct{}

func (pipeAddr) Network() string { return "pipe" }
func (pipeAddr) String() string  { return "pipe" }

func (p *pipes) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	ours, theirs := net.Pipe()
	select {
	case p.conns <- theirs:
		return ours, nil
	case <-p.done:
		return nil, errors.New("connection refused")
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// moving is a bench whose snapshots a test changes.
type moving struct {
	mu  sync.Mutex
	all []bench.Snapshot
}

func (m *moving) snapshots() []bench.Snapshot {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]bench.Snapshot(nil), m.all...)
}

func (m *moving) change(i int, by func(*bench.Snapshot)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	by(&m.all[i])
}

// rig is a served site with its bench, in a synctest bubble.
type rig struct {
	t      *testing.T
	bench  *moving
	site   *Site
	pipes  *pipes
	logs   *observer.ObservedLogs
	began  time.Time
	stop   context.CancelFunc
	served chan error
}

func newRig(t *testing.T, stations int) *rig {
	t.Helper()
	core, logs := observer.New(zapcore.DebugLevel)
	r := &rig{t: t, bench: &moving{all: someStations(stations)}, pipes: newPipes(), logs: logs, began: time.Now(), served: make(chan error, 1)}
	o := options(t)
	o.Logger, o.Snapshots = zap.New(core), r.bench.snapshots
	r.site = newSite(t, o)
	ctx, cancel := context.WithCancel(t.Context())
	r.stop = cancel
	go func() { r.served <- r.site.Serve(ctx, r.pipes) }()
	return r
}

// end stops the site and takes what Serve returned.
func (r *rig) end() {
	r.t.Helper()
	r.stop()
	if err := <-r.served; err != nil {
		r.t.Errorf("Serve returned %v", err)
	}
}

// stream is a live page's connection.
type stream struct {
	t    *testing.T
	body io.ReadCloser
	in   *bufio.Reader
}

func (r *rig) open(path string) *http.Response {
	r.t.Helper()
	client := &http.Client{Transport: &http.Transport{DialContext: r.pipes.dial, DisableKeepAlives: true}}
	req, err := http.NewRequestWithContext(r.t.Context(), http.MethodGet, "http://localhost"+path, nil)
	if err != nil {
		r.t.Fatal(err)
	}
	resp, err := client.Do(req)
	if err != nil {
		r.t.Fatal(err)
	}
	return resp
}

func (r *rig) live() *stream {
	r.t.Helper()
	return r.stream("/live")
}

func (r *rig) stream(path string) *stream {
	r.t.Helper()
	resp := r.open(path)
	if resp.StatusCode != http.StatusOK || resp.Header.Get("Content-Type") != "text/event-stream" {
		r.t.Fatalf("%s answers %s, %q", path, resp.Status, resp.Header.Get("Content-Type"))
	}
	return &stream{r.t, resp.Body, bufio.NewReader(resp.Body)}
}

type message struct{ event, data string }

// next reads one event as a browser would (WHATWG HTML, "Interpreting an
// event stream").
func (s *stream) next() (m message, err error) {
	var data []string
	for {
		line, err := s.in.ReadString('\n')
		if err != nil {
			return m, err
		}
		field, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ":")
		value = strings.TrimPrefix(value, " ")
		switch {
		case line == "\n" && data != nil:
			m.data = strings.Join(data, "\n")
			return m, nil
		case field == "event":
			m.event = value
		case field == "data":
			data = append(data, value)
		}
	}
}

// until reads events up to the first of a kind whose data contains something.
func (s *stream) until(event, contains string) message {
	s.t.Helper()
	for range 500 {
		m, err := s.next()
		if err != nil {
			s.t.Fatalf("the stream ended before %s with %q: %v", event, contains, err)
		}
		if m.event == event && strings.Contains(m.data, contains) {
			return m
		}
	}
	s.t.Fatalf("no %s with %q came", event, contains)
	return message{}
}

// rest reads to the end, which must come.
func (s *stream) rest() (all []message) {
	for {
		m, err := s.next()
		if err != nil {
			return all
		}
		all = append(all, m)
	}
}

func TestStreamBeginsWithEverything(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 6)
		defer r.end()
		s := r.live()
		defer s.body.Close() //nolint:errcheck // read only
		var kinds []string
		for range 3 {
			m, err := s.next()
			if err != nil {
				t.Fatal(err)
			}
			kinds = append(kinds, m.event)
			switch m.event {
			case "hello":
				if m.data != r.site.assets {
					t.Errorf("hello says %q, want the tag of the assets", m.data)
				}
			case "time":
				if m.data != "02:58:12" {
					t.Errorf("the time is %q, want the bench's", m.data)
				}
			}
			if strings.Contains(m.data, `id="grid"`) {
				if n := len(all(parse(t, m.data), "article", "tile")); n != 6 {
					t.Errorf("%d tiles in the grid, want 6", n)
				}
			}
		}
		if diff := cmp.Diff([]string{"hello", "", "time"}, kinds); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	})
}

// A changed tile comes within one period, alone.
func TestChangedTileComesAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 3)
		defer r.end()
		s := r.live()
		defer s.body.Close() //nolint:errcheck // read only
		s.until("time", "")
		s.until("time", "") // the first beat: by then the first round of parts is through
		r.bench.change(1, func(s *bench.Snapshot) { s.Stalled = s.At })
		began := time.Now()
		m := s.until("", "Nothing has moved")
		if took := time.Since(began); took > DefaultEvery {
			t.Errorf("it took %v", took)
		}
		tile := one(t, parse(t, m.data), "article", "tile")
		if attribute(tile, "id") != "station-s-2" {
			t.Errorf("the part is %q", attribute(tile, "id"))
		}
		if strings.Contains(m.data, "station-s-1") || strings.Contains(m.data, "station-s-3") { // the summary comes with it, no other tile
			t.Errorf("an unchanged tile came: %s", m.data)
		}
	})
}

// A sign of life comes every second, also when nothing changes: that is how a
// page knows that news would come.
func TestHeartbeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 1)
		defer r.end()
		s := r.live()
		defer s.body.Close() //nolint:errcheck // read only
		for last := time.Now(); time.Since(r.began) < 20*time.Second; last = time.Now() {
			if m := s.until("time", ""); m.data != "02:58:12" {
				t.Errorf("the time is %s, want the bench's", m.data)
			}
			if gap := time.Since(last); gap > beatEvery {
				t.Errorf("%v between two signs of life", gap)
			}
		}
	})
}

// The time shown is the bench's, which may run faster than ours.
func TestTimeFollowsTheBench(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 1)
		defer r.end()
		s := r.live()
		defer s.body.Close() //nolint:errcheck // read only
		s.until("time", "")
		for i := range 5 {
			r.bench.change(0, func(s *bench.Snapshot) { s.At = s.At.Add(10 * time.Second) })
			changed := time.Now()
			s.until("time", night.Add(time.Duration(i+1)*10*time.Second).Format(time.TimeOnly))
			if took := time.Since(changed); took > DefaultEvery {
				t.Errorf("it took %v", took)
			}
		}
	})
}

// A station that stands still is told to be old within 3 s, and fresh as soon
// as it goes on.
func TestSilentStationLive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 1)
		defer r.end()
		s := r.live()
		defer s.body.Close() //nolint:errcheck // read only
		began := time.Now()
		s.until("", "No news from this station since 02:58:12")
		if took := time.Since(began); took > 3*time.Second {
			t.Errorf("it took %v", took)
		}
		r.bench.change(0, func(s *bench.Snapshot) { s.At = s.At.Add(time.Hour) })
		if m := s.until("", "article"); strings.Contains(m.data, "No news") {
			t.Errorf("it is still old: %s", m.data)
		}
	})
}

// A client that reads nothing is dropped, counted and logged, and nobody else
// notices.
func TestSlowClientIsDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 40)
		defer r.end()
		slow, quick := r.live(), r.live()
		defer slow.body.Close()  //nolint:errcheck // read only
		defer quick.body.Close() //nolint:errcheck // read only
		beats := 0
		for began := time.Now(); time.Since(began) < 20*time.Second; {
			r.bench.change(7, func(s *bench.Snapshot) { s.At = s.At.Add(time.Second) })
			if m := quick.until("time", ""); m.event == "time" {
				beats++
			}
		}
		if beats < 20 {
			t.Errorf("the quick client got %d signs of life in 20 s", beats)
		}
		if got := r.site.Dropped(); got != 1 {
			t.Errorf("%d clients dropped, want the slow one", got)
		}
		logged := r.logs.FilterMessageSnippet("did not keep up").All()
		if len(logged) != 1 || logged[0].Level != zapcore.WarnLevel {
			t.Errorf("logged %v, want one warning", logged)
		}
		for _, m := range slow.rest() {
			if strings.Contains(m.data, `id="grid"`) {
				t.Error("the slow client was served nevertheless")
			}
		}
	})
}

// A client that takes some, but not enough, is dropped when its queue is full;
// the others keep theirs.
func TestFullQueue(t *testing.T) {
	h := newHub()
	slow, err := h.Join("slow", view{})
	if err != nil {
		t.Fatal(err)
	}
	quick, err := h.Join("quick", view{})
	if err != nil {
		t.Fatal(err)
	}
	var out []*client
	for i := range queueLength + 3 {
		out = append(out, give(h, view{}, []byte{byte(i)})...)
		if got := <-quick.Queue; got[0] != byte(i) {
			t.Fatalf("the quick client got %d, want %d", got[0], i)
		}
	}
	if len(out) != 1 || out[0] != slow || h.Dropped() != 1 {
		t.Errorf("dropped %d, told of %d, want the slow one once", h.Dropped(), len(out))
	}
	n := 0
	for range slow.Queue { // what it had, then the end
		n++
	}
	if n != queueLength {
		t.Errorf("the slow client had %d updates, want %d", n, queueLength)
	}
	if h.Drop(slow) || h.Dropped() != 1 {
		t.Error("it was dropped twice")
	}
}

// Stopping ends the streams at once and waits for nobody.
func TestStopEndsStreams(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 2)
		s := r.live()
		defer s.body.Close() //nolint:errcheck // read only
		s.until("time", "")
		began := time.Now()
		r.end()
		s.rest()
		if took := time.Since(began); took > stopWithin {
			t.Errorf("it took %v", took)
		}
		if _, err := r.site.live.Join("late", view{}); !errors.Is(err, fan.ErrClosed) {
			t.Errorf("after the stop a client may still join: %v", err)
		}
	})
}

// A connection over which nothing is asked or read does not hold up the stop
// for long.
func TestStopWithStuckClient(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 40)
		s := r.live()        // reads the header and nothing more
		defer s.body.Close() //nolint:errcheck // read only
		time.Sleep(10 * time.Second)
		began := time.Now()
		r.end()
		if took := time.Since(began); took > 2*stopWithin {
			t.Errorf("it took %v", took)
		}
	})
}

func TestTooManyPages(t *testing.T) {
	h := newHub()
	var last *client
	for i := range mostClients {
		c, err := h.Join(fmt.Sprint(i), view{})
		if err != nil {
			t.Fatal(err)
		}
		last = c
	}
	if _, err := h.Join("one more", view{}); !errors.Is(err, fan.ErrCrowded) {
		t.Errorf("page %d: %v, want %v", mostClients+1, err, fan.ErrCrowded)
	}
	h.Leave(last)
	if _, err := h.Join("one more", view{}); err != nil {
		t.Errorf("after one has gone: %v", err)
	}
}

func TestTooManyPagesAnswer(t *testing.T) {
	s := newSite(t, options(t))
	for range mostClients {
		if _, err := s.live.Join("", view{}); err != nil {
			t.Fatal(err)
		}
	}
	r := ask(t, s, "GET", "/live")
	if got := body(t, r); r.StatusCode != http.StatusServiceUnavailable || !strings.Contains(got, "too many are open") {
		t.Errorf("%s %q", r.Status, got)
	}
}

// Nothing is rendered while nobody looks; the first to look gets all, then
// what changes.
func TestNobodyLooks(t *testing.T) {
	m := moving{all: someStations(4)}
	o := options(t)
	o.Snapshots = m.snapshots
	s := newSite(t, o)
	sent := map[view]shown{}
	if s.refresh(sent); len(sent) != 0 {
		t.Errorf("rendered for nobody: %v", sent)
	}
	c, err := s.live.Join("", view{})
	if err != nil {
		t.Fatal(err)
	}
	s.refresh(sent)
	if got := string(<-c.Queue); strings.Count(got, "<hx-partial") != 2 || strings.Count(got, "<article") != 4 {
		t.Errorf("the first to look gets %s", got)
	}
	s.refresh(sent)
	m.change(2, func(s *bench.Snapshot) { s.Name = "Another" })
	s.refresh(sent)
	if got := string(<-c.Queue); strings.Count(got, "<hx-partial") != 1 || !strings.Contains(got, `id="station-s-3"`) {
		t.Errorf("one tile changed, and there comes %s", got)
	}
	s.live.Leave(c)
	if s.refresh(sent); len(sent) != 0 {
		t.Error("after the last has gone something is still taken as shown")
	}
}

// When stations come or go, the whole grid is new.
func TestOtherStations(t *testing.T) {
	all := someStations(3)
	o := options(t)
	o.Snapshots = func() []bench.Snapshot { return all }
	s, shown := newSite(t, o), shown{}
	l := s.look()
	s.changes(&l, view{}, shown)
	all = all[1:]
	l = s.look()
	if got := string(s.changes(&l, view{}, shown)); !strings.Contains(got, `id="grid"`) || strings.Count(got, "<article") != 2 {
		t.Errorf("after one has gone there comes %s", got)
	}
	if got := s.changes(&l, view{}, shown); got != nil {
		t.Errorf("nothing changed, and yet there is %s", got)
	}
}

// Each page gets what it shows and nothing else.
func TestViews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, 3)
		defer r.end()
		list, one, gone := r.stream("/live?list"), r.stream("/live?station=s-2"), r.stream("/live?station=s-9")
		for _, s := range []*stream{list, one, gone} {
			defer s.body.Close() //nolint:errcheck // read only
		}
		if rows := all(parse(t, list.until("", `id="rows"`).data), "li", "row"); len(rows) != 3 || attribute(rows[0], "id") != "row-s-2" {
			t.Errorf("%d rows, want the dropped station first", len(rows))
		}
		if got := one.until("", "").data; !strings.Contains(got, `id="station"`) || !strings.Contains(got, "Finch 3, bent") {
			t.Errorf("the page of a station begins with %s", got)
		}
		if got := gone.until("", "").data; !strings.Contains(got, "no longer in the configuration") {
			t.Errorf("the page of a station that is not there begins with %s", got)
		}
		one.until("time", "")
		r.bench.change(0, func(s *bench.Snapshot) { s.Name = "Not for that page" })
		r.bench.change(1, func(s *bench.Snapshot) { s.HandsOn = s.At.Add(5 * time.Minute) })
		if got := one.until("", "").data; strings.Contains(got, "Not for that page") || !strings.Contains(got, "5 min 00 s") {
			t.Errorf("hands are on, and there comes %s", got)
		}
		list.until("", "hands on")
	})
}

// Foreign text must not be able to end a line of the stream.
func TestEventFraming(t *testing.T) {
	got := string(event("part", []byte(" a\nb\r\nc\rdata: x\n\n")))
	want := "event: part\ndata: a\ndata: b\ndata: cdata: x\n\n"
	if got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// With no stations the bench's time is the computer's.
func TestTimeWithoutStations(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		if got, want := newSite(t, options(t)).look().Now, time.Now().UTC().Format(time.TimeOnly); got != want {
			t.Errorf("the time is %s, want %s", got, want)
		}
	})
}

// Serve on a real loopback socket: it answers under the address it listens on,
// and not under a foreign name.
func TestServeOnLoopback(t *testing.T) {
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := newSite(t, options(t, running()))
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- s.Serve(ctx, l) }()
	for host, code := range map[string]int{"": http.StatusOK, "bench.example": http.StatusMisdirectedRequest} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+l.Addr().String()+"/", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Host = host
		req.Close = true
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, resp.Body); err != nil {
			t.Error(err)
		}
		resp.Body.Close() //nolint:errcheck // read to its end
		if resp.StatusCode != code {
			t.Errorf("Host %q: %s, want %d", host, resp.Status, code)
		}
	}
	cancel()
	if err := <-served; err != nil {
		t.Errorf("Serve returned %v", err)
	}
}

// A listener that breaks ends Serve with an error: the program must not go on
// without its page.
func TestServeFails(t *testing.T) {
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := newSite(t, options(t)).Serve(t.Context(), l); err == nil || !strings.Contains(err.Error(), l.Addr().String()) {
		t.Errorf("Serve on a closed listener: %v", err)
	}
}

func TestNamesOf(t *testing.T) {
	for _, tc := range []struct {
		ip   net.IP
		name string
		ok   bool
	}{
		{net.IPv4(127, 0, 0, 1), "127.0.0.1", true},
		{net.IPv4(127, 0, 0, 2), "127.0.0.2", true},
		{net.IPv4(127, 0, 0, 1), "127.0.0.2", false},
		{net.IPv6loopback, "::1", true},
	} {
		if got := namesOf(&net.TCPAddr{IP: tc.ip})[tc.name]; got != tc.ok {
			t.Errorf("listening on %v, %s is allowed: %v, want %v", tc.ip, tc.name, got, tc.ok)
		}
	}
	if got := namesOf(&net.TCPAddr{IP: net.IPv4zero}); got != nil {
		t.Errorf("beyond loopback the names are not known, but %v", got)
	}
}

// One round with everything changed, and one with nothing changed, on a bench
// of 40.
func BenchmarkRound40(b *testing.B) {
	m := moving{all: someStations(40)}
	s, err := New(Options{Bench: "north", Snapshots: m.snapshots, Logger: zap.NewNop(), Zone: time.UTC})
	if err != nil {
		b.Fatal(err)
	}
	if _, err := s.live.Join("", view{}); err != nil {
		b.Fatal(err)
	}
	shown := shown{}
	b.Run("all changed", func(b *testing.B) {
		b.ReportAllocs()
		size := 0
		for b.Loop() {
			clear(shown)
			f := s.look()
			size = len(s.changes(&f, view{}, shown))
		}
		b.ReportMetric(float64(size), "B/round")
	})
	b.Run("none changed", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			f := s.look()
			s.changes(&f, view{}, shown)
		}
	})
}

// What changes between two refreshes and back is told by neither: a stream that
// begins in between must not show it for ever.
func TestHelloIsWhatTheRefreshSaw(t *testing.T) {
	now := running()
	o := options(t)
	o.Snapshots = func() []bench.Snapshot { return []bench.Snapshot{now} }
	s, sent := newSite(t, o), map[view]shown{}
	if _, err := s.live.Join("elsewhere", view{}); err != nil {
		t.Fatal(err)
	}
	s.refresh(sent)
	was := s.hello(view{})
	now.Mode = bench.Off
	if got := s.hello(view{}); !bytes.Equal(got, was) {
		t.Error("it begins with what no refresh has seen")
	}
	s.refresh(sent)
	if got := s.hello(view{}); bytes.Equal(got, was) {
		t.Error("it begins with what the refresh before saw")
	}
}
