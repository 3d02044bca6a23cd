package supply_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/supply"
)

// way is one source under test: a transport, and whether it is asked or streams.
type way struct {
	transport string
	lines     bool
	// plug makes an invented instrument reachable; up and down are its mains.
	plug func(t *testing.T, in *invented) socket
}

// socket is where an invented instrument is plugged in.
type socket interface {
	Dial(ctx context.Context) (supply.Conn, error)
	up()
	down()
}

// name says what is tested.
func (w way) name() string {
	if w.lines {
		return w.transport + " lines"
	}
	return w.transport
}

// options ask, or listen to, what the invented instrument says.
func (w way) options(s socket) supply.Options {
	o := supply.Options{Dial: s.Dial, Address: w.transport, Timeout: 150 * time.Millisecond}
	if w.lines {
		o.Pattern = `^(?P<volts>\S+) V (?P<milliamps>\S+) mA$`
	}
	return o
}

// TestConformance is what every source must do, whatever way its bytes come. It
// runs on Linux, where a serial port can be made (ways is in the file of that).
func TestConformance(t *testing.T) {
	var tested []string
	for _, w := range ways() {
		tested = append(tested, w.transport)
		t.Run(w.name(), func(t *testing.T) {
			for name, test := range conformance {
				t.Run(name, func(t *testing.T) {
					t.Parallel()
					in := &invented{lines: w.lines}
					s := w.plug(t, in)
					s.up()
					t.Cleanup(s.down)
					test(t, w, in, s)
				})
			}
		})
	}
	slices.Sort(tested)
	if diff := cmp.Diff(supply.Transports(), slices.Compact(tested)); diff != "" {
		t.Errorf("transports and those tested (-there +tested):\n%s", diff)
	}
}

var conformance = map[string]func(t *testing.T, w way, in *invented, s socket){
	"answers": func(t *testing.T, w way, _ *invented, s socket) {
		watch := startWatch(t, w.options(s))
		watch.until(good, good, good)
		watch.never(lostLine)
	},
	"silence": func(t *testing.T, w way, in *invented, s socket) {
		watch := startWatch(t, w.options(s))
		watch.until(good)
		in.set(silent)
		watch.until("within 150ms")
		in.set(well)
		watch.until(backLine, good)
		if n := watch.p.Counts().Failures[supply.Silent]; n == 0 {
			t.Error("silence was not counted")
		}
	},
	"garbage": func(t *testing.T, w way, in *invented, s socket) {
		watch := startWatch(t, w.options(s))
		watch.until(good)
		in.set(garbling)
		watch.until(lostLine + ": ")
		// On a busy computer it may be lost by silence before the garbage comes.
		for end := time.Now().Add(10 * time.Second); watch.p.Counts().Failures[supply.Garbled] == 0; time.Sleep(10 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatal("garbage was not counted")
			}
		}
		in.set(well)
		watch.until(backLine, good)
	},
	"slow": func(t *testing.T, w way, in *invented, s socket) {
		in.set(slow)
		o := w.options(s)
		o.Timeout = 20 * time.Second
		watch := startWatch(t, o)
		watch.until(good, good, good)
		watch.never(lostLine)
	},
	"half lines": func(t *testing.T, w way, in *invented, s socket) {
		in.set(halves)
		o := w.options(s)
		o.Timeout = 20 * time.Second
		watch := startWatch(t, o)
		watch.until(good, good, good)
		watch.never(lostLine)
		if n := watch.p.Counts().Failures[supply.Garbled]; n != 0 {
			t.Errorf("%d halves were taken for garbled lines", n)
		}
	},
	"half a line and no more": func(t *testing.T, w way, in *invented, s socket) {
		watch := startWatch(t, w.options(s))
		watch.until(good)
		in.set(torn)
		watch.until("within 150ms")
		in.set(well)
		watch.until(backLine, good)
	},
	"restart": func(t *testing.T, w way, _ *invented, s socket) {
		watch := startWatch(t, w.options(s))
		watch.until(good)
		s.down()
		watch.until(lostLine, lostLine+": no connection: ")
		watch.forget()
		s.up()
		watch.until(backLine, good)
	},
	"two masters": func(t *testing.T, w way, in *invented, s socket) {
		if w.lines {
			t.Skip("who listens asks for nothing that could get mixed up")
		}
		links := supply.NewLinks()
		var watches []*watch
		for i := range 2 {
			o := w.options(s)
			o.Links, o.Select, o.Timeout = links, fmt.Sprintf("INST:NSEL %d", i+1), 20*time.Second
			watches = append(watches, startWatch(t, o))
		}
		for i, watch := range watches {
			watch.until(slices.Repeat([]string{outputs[i]}, 40)...)
			watch.never(outputs[1-i])
			watch.never(lostLine)
		}
		if n := in.mixed.Load(); n > 0 {
			t.Errorf("%d questions came before the one before was answered", n)
		}
		if n := in.visits.Load(); n != 1 {
			t.Errorf("%d connections, want one for both", n)
		}
	},
}

// outputs are the readings of output 1 and 2.
var outputs = []string{good, "power 5.100 V 400 mA"}

// never fails the test if a line with that text was emitted so far.
func (w *watch) never(text string) {
	w.t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	if s := w.tr.String(); strings.Contains(s, text+"\n") || text == lostLine && strings.Contains(s, text) {
		w.t.Errorf("%q was emitted:\n%s", text, s)
	}
}

// mood is how an invented instrument behaves.
type mood int32

const (
	well     mood = iota
	silent        // answers nothing
	garbling      // answers what is no reading
	slow          // takes its time
	halves        // sends each line in two parts
	torn          // sends half a line and never the rest
)

// invented is an instrument of two outputs. Asked, it answers questions; else
// it streams lines.
type invented struct {
	lines  bool
	mood   atomic.Int32
	visits atomic.Int32 // connections so far
	mixed  atomic.Int32 // questions that came before the one before was answered
}

func (in *invented) set(m mood) { in.mood.Store(int32(m)) }
func (in *invented) is() mood   { return mood(in.mood.Load()) }

// wait is the pace of a meter that prints by itself.
func (in *invented) wait() { <-time.After(20 * time.Millisecond) }

// serve talks over one connection until it ends.
func (in *invented) serve(c io.ReadWriter) {
	if in.lines {
		in.stream(c)
		return
	}
	r := bufio.NewReader(c)
	output := "1"
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		if n, ok := strings.CutPrefix(strings.TrimSpace(line), "INST:NSEL "); ok {
			output = n
			continue
		}
		if r.Buffered() > 0 {
			in.mixed.Add(1)
		}
		if in.say(c, answerTo(strings.TrimSpace(line), output)) != nil {
			return
		}
	}
}

func answerTo(question, output string) string {
	switch {
	case question == "SYST:ERR?":
		return `0,"No error"`
	case output == "2":
		return "5.1;0.4"
	}
	return "3.801;0.412"
}

// stream begins in the middle of a line, as whoever comes by hears it.
func (in *invented) stream(c io.Writer) {
	line := "3.801 V 412 mA\r\n"
	if _, err := io.WriteString(c, line[6:]); err != nil {
		return
	}
	for in.say(c, strings.TrimSpace(line)) == nil {
		in.wait()
	}
}

// say sends a line as the mood is.
func (in *invented) say(c io.Writer, line string) (err error) {
	send := func(s string) {
		if err == nil {
			_, err = io.WriteString(c, s)
		}
	}
	switch in.is() {
	case silent:
		if in.lines {
			send("") // shows whether the connection stands
		}
	case garbling:
		send("?#!\r\n")
	case slow:
		<-time.After(60 * time.Millisecond)
		send(line + "\r\n")
	case halves:
		send(line[:4])
		in.wait()
		send(line[4:] + "\r\n")
	case torn:
		send(line[:4])
	default:
		send(line + "\r\n")
	}
	return err
}

// mains keeps count of what a socket has open, for its end.
type mains struct {
	mu   sync.Mutex
	on   bool
	open []io.Closer
	wg   sync.WaitGroup
}

// take notes what is to be closed with the mains, unless they are off.
func (m *mains) take(c io.Closer, serve func()) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.on {
		_ = c.Close()
		return errors.New("switched off")
	}
	m.open = append(m.open, c)
	m.wg.Go(serve)
	return nil
}

func (m *mains) up() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.on = true
}

func (m *mains) down() {
	m.mu.Lock()
	m.on = false
	for _, c := range m.open {
		_ = c.Close()
	}
	m.open = nil
	m.mu.Unlock()
	m.wg.Wait()
}
