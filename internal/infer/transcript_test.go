package infer_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

var update = flag.Bool("update", false, "rewrite the expected events in testdata")

// TestTranscripts runs every testdata/*.txt: commands, "----", the events that
// they must give. A reviewer reads them like a story. The commands:
//
//	station [battery] [vbus] [no-usb] [window=210s]   begins a new watch
//	rate HZ                       readings a second from now on (10 at first)
//	urbs N                        URBs a second from now on, counted once a second
//	read VOLTS AMPS DURATION [ripple=AMPS] [limit=AMPS] [output=off] [set=VOLTS]
//	quiet DURATION                time passes without readings
//	add PRODUCT [NUMBER]          a device of vendor 1209 appears
//	remove                        it goes
//	vbus VOLTS AMPS               a meter on USB bus power reads this with every reading from now on
//	mark KIND BY [for=DURATION] [TEXT]
//	view                          prints the odds of the hook-up and what the work still needs
//	supply lost|back|error TEXT
//	source lost|back TEXT
//	jump DURATION                 the wall clock is stepped
//	gap DURATION [rebooted]       nobody watches for so long
//	end                           the watch is left cleanly
//	seen                          prints what a snapshot says of the run and of the gap
func TestTranscripts(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no transcripts: %v", err)
	}
	for _, f := range files {
		t.Run(strings.TrimSuffix(filepath.Base(f), ".txt"), func(t *testing.T) { runFile(t, f) })
	}
}

func runFile(t *testing.T, name string) {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	p := handset(t)
	var out bytes.Buffer
	var s *story
	for block := range strings.SplitSeq(strings.TrimSpace(string(b)), "\n\n") {
		commands, want, found := strings.Cut(block+"\n", "----\n")
		if !found {
			fmt.Fprintf(&out, "%s\n\n", strings.TrimRight(block, "\n")) // a comment
			continue
		}
		if strings.HasPrefix(firstCommand(commands), "station") {
			s = nil
		}
		if s == nil {
			s = newStory(t, p)
		}
		got := s.tell(commands)
		if !*update && got != want {
			t.Errorf("%s:\n%swant:\n%sgot:\n%s", name, commands, want, got)
		}
		fmt.Fprintf(&out, "%s----\n%s\n", commands, got)
	}
	if *update {
		if err := os.WriteFile(name, append(bytes.TrimRight(out.Bytes(), "\n"), '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func firstCommand(block string) string {
	for line := range strings.SplitSeq(block, "\n") {
		if line != "" && line[0] != '#' {
			return line
		}
	}
	return ""
}

func handset(t testing.TB) *profile.Profile {
	t.Helper()
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// epoch is where every story begins.
var epoch = time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)

// story plays commands as observations.
type story struct {
	t      testing.TB
	p      *profile.Profile
	e      *infer.Engine
	all    []bench.Observation
	events []bench.Event
	now    time.Time // wall time
	start  time.Time
	period time.Duration
	urbs   uint64
	counts bool // traffic is counted
	count  uint64
	next   time.Time // of the next traffic count
	on     bool      // a device is on the port
	bus    *bench.Power
	out    strings.Builder
}

func newStory(t testing.TB, p *profile.Profile) *story {
	return &story{t: t, p: p, now: epoch, start: epoch, period: 100 * time.Millisecond}
}

func (s *story) tell(commands string) string {
	s.out.Reset()
	for line := range strings.SplitSeq(strings.TrimSpace(commands), "\n") {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			s.do(strings.Fields(line))
		}
	}
	return s.out.String()
}

func (s *story) do(f []string) {
	arg := func(i int) string {
		if i >= len(f) {
			s.t.Fatalf("%v: argument %d is missing", f, i)
		}
		return f[i]
	}
	switch f[0] {
	case "station":
		s.station(f[1:])
	case "rate":
		s.period = time.Second / time.Duration(s.number(arg(1)))
	case "urbs":
		s.urbs, s.counts, s.next = s.number(arg(1)), true, s.now
	case "read":
		s.read(arg(1), arg(2), s.duration(arg(3)), f[4:])
	case "quiet":
		s.pass(s.duration(arg(1)))
		s.print(s.e.Tick(s.now))
	case "add":
		id, err := bench.ParseUSBID("1209:" + arg(1))
		s.must(err)
		s.on, s.count, s.next = true, 10, s.now
		u := bench.USB{Change: bench.USBAdd, Port: "1-2", ID: id}
		if len(f) > 2 {
			u.Number = int(s.number(f[2]))
		}
		s.step(u)
	case "remove":
		s.on = false
		s.step(bench.USB{Change: bench.USBRemove, Port: "1-2"})
	case "mark":
		s.mark(arg(1), arg(2), f[3:])
	case "view":
		s.view()
	case "vbus":
		s.vbus(arg(1), arg(2))
	case "supply":
		s.step(bench.Supply{Change: bench.Sight(arg(1)), Error: strings.Join(f[2:], " ")})
	case "source":
		s.step(bench.USBSource{Change: bench.Sight(arg(1)), Error: strings.Join(f[2:], " ")})
	case "jump":
		d := s.duration(arg(1))
		s.now, s.next = s.now.Add(d), s.next.Add(d)
		s.step(bench.Clock{Jump: d})
	case "gap":
		d := s.duration(arg(1))
		s.now, s.next = s.now.Add(d), s.next.Add(d)
		s.step(bench.Clock{Gap: d, Rebooted: len(f) > 2 && f[2] == "rebooted"})
	case "end":
		s.step(bench.Clock{End: true})
	case "seen":
		s.seen()
	default:
		s.t.Fatalf("unknown command %v", f)
	}
}

func (s *story) station(words []string) {
	st := infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}}
	for _, w := range words {
		switch k, v, _ := strings.Cut(w, "="); k {
		case "battery":
			st.Hookup.Path = bench.FromBattery
		case "vbus":
			st.Hookup.VBUS = true
		case "no-usb":
			st.Hookup.USB = false
		case "window":
			st.Window = s.duration(v)
		default:
			s.t.Fatalf("station: unknown word %q", w)
		}
	}
	s.e = infer.New(s.p, st)
}

// read gives readings for the duration, at a fixed ripple pattern.
func (s *story) read(volts, amps string, d time.Duration, opts []string) {
	v, err := unit.ParseVolts(volts)
	s.must(err)
	a, err := unit.ParseAmps(amps)
	s.must(err)
	p := bench.Power{Volts: unit.Some(v), Amps: unit.Some(a)}
	var ripple unit.Current
	for _, o := range opts {
		switch k, val, _ := strings.Cut(o, "="); k {
		case "ripple":
			ripple, err = unit.ParseAmps(val)
		case "limit":
			var c unit.Current
			c, err = unit.ParseAmps(val)
			p.LimitAmps = unit.Some(c)
		case "set":
			var u unit.Voltage
			u, err = unit.ParseVolts(val)
			p.SetVolts = unit.Some(u)
		case "output":
			p.Output = unit.Some(val == "on")
		default:
			s.t.Fatalf("read: unknown option %q", o)
		}
		s.must(err)
	}
	for n := range int(d / s.period) {
		p.Amps = unit.Some(a + ripple*unit.Current(n%5-2)/2)
		s.step(p)
		if s.bus != nil {
			s.step(*s.bus)
		}
		s.pass(s.period)
	}
}

// vbus gives one reading of bus power with every reading from now on.
func (s *story) vbus(volts, amps string) {
	v, err := unit.ParseVolts(volts)
	s.must(err)
	a, err := unit.ParseAmps(amps)
	s.must(err)
	s.bus = &bench.Power{Volts: unit.Some(v), Amps: unit.Some(a), Channel: bench.ChannelVBUS}
}

// view prints what a snapshot says of the time to come.
func (s *story) view() {
	var v bench.Snapshot
	s.e.View(s.now, &v)
	fmt.Fprintf(&s.out, "%8s view:", s.offset(s.now))
	if o := v.Odds; o != nil {
		fmt.Fprintf(&s.out, " %d of %d lasted, %.3f (%.3f to %.3f) regular=%v", o.Lasted, o.Of, o.Share, o.Low, o.High, o.Regular)
	}
	if n := v.Needs; n != nil {
		fmt.Fprintf(&s.out, " needs %v, at most %v, by %d, passed=%v", n.Median.Or(-1), n.Most.Or(-1), n.Of, n.Passed)
	}
	s.out.WriteString("\n")
}

// seen prints what a snapshot says of the run, the goal and the gap.
func (s *story) seen() {
	var v bench.Snapshot
	s.e.View(s.now, &v)
	fmt.Fprintf(&s.out, "%8s seen: %s", s.offset(s.now), v.Mode)
	if r := v.Run; r != nil {
		fmt.Fprintf(&s.out, ", up for %.1fs assumed=%v suspect=%v", r.Uptime.Seconds(), r.Assumed, r.Suspect)
		if !r.SureFrom.IsZero() {
			fmt.Fprintf(&s.out, " sure from %s", s.offset(r.SureFrom))
		}
	}
	if w := v.Watch; w != nil {
		fmt.Fprintf(&s.out, ", %q armed", w.Goal)
	}
	if g := v.Gap; g != nil {
		fmt.Fprintf(&s.out, ", gap %s to %s judged=%v sure=%v: %s", s.offset(g.From), s.offset(g.To), g.Judged, g.Sure, g.Why)
	}
	s.out.WriteString("\n")
}

func (s *story) mark(kind, by string, words []string) {
	m := bench.Mark{Kind: kind, By: by}
	if len(words) > 0 && strings.HasPrefix(words[0], "for=") {
		m.For = s.duration(strings.TrimPrefix(words[0], "for="))
		words = words[1:]
	}
	m.Text = strings.Join(words, " ")
	if err := m.Check(); err != nil {
		s.t.Fatal(err)
	}
	s.step(m)
}

// pass lets time go by, with a traffic count each second while it is asked for.
func (s *story) pass(d time.Duration) {
	end := s.now.Add(d)
	for s.counts && s.on && s.next.Before(end) {
		if s.next.After(s.now) {
			s.now = s.next
		}
		s.next = s.next.Add(time.Second)
		s.count += s.urbs
		s.step(bench.Traffic{URBs: s.count})
	}
	s.now = end
}

func (s *story) step(f bench.Fact) {
	if s.e == nil {
		s.t.Fatal("no station yet")
	}
	o := bench.Observation{At: s.now, Station: "s1", Fact: f}
	s.all = append(s.all, o)
	s.print(s.e.Step(o))
}

// print writes events as: when concluded, what, when it happened, data.
func (s *story) print(events []bench.Event) {
	s.events = append(s.events, events...)
	for _, e := range events {
		fmt.Fprintf(&s.out, "%8s %s\n", s.offset(e.Concluded), s.describe(e))
	}
}

func (s *story) offset(t time.Time) string {
	return fmt.Sprintf("%.1fs", t.Sub(s.start).Seconds())
}

func (s *story) describe(e bench.Event) string {
	d := e.Data
	text := fmt.Sprintf("%s at %s", strings.TrimPrefix(string(e.Type), "benchvigil."), s.offset(e.Time))
	if d.From != "" || d.To != "" {
		text += fmt.Sprintf(" %s -> %s", d.From, d.To)
	} else if d.Mode != "" {
		text += " in " + string(d.Mode)
	}
	if d.Kind != "" {
		text += " kind=" + d.Kind
	}
	if d.Goal != "" {
		text += fmt.Sprintf(" goal=%q", d.Goal)
	}
	if d.Assumed {
		text += " assumed"
	}
	if w := d.Ended; w != nil {
		text += fmt.Sprintf(" ended=%s/%v/quiet %v/finished %v", w.Mode, w.Lasted, w.Quiet, w.Finished)
	}
	if u, ok := d.Uptime.Get(); ok {
		text += fmt.Sprintf(" uptime=%.1fs", u.Seconds())
	}
	return text + " | " + strings.Join(d.Why, "; ")
}

func (s *story) duration(text string) time.Duration {
	d, err := time.ParseDuration(text)
	s.must(err)
	return d
}

func (s *story) number(text string) uint64 {
	n, err := strconv.ParseUint(text, 10, 32)
	s.must(err)
	return n
}

func (s *story) must(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}
