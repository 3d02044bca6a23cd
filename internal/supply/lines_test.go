package supply_test

import (
	"context"
	"errors"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/supply"
	"benchvigil/internal/unit"
)

const wattLine = `^(?P<volts>\S+) V +(?P<milliamps>\S+) mA(?: +(?P<celsius>\S+) C)?$`

func TestPatternReads(t *testing.T) {
	some := unit.Some[unit.Current]
	for _, tc := range []struct {
		pattern, line string
		want          supply.Answer
	}{
		{wattLine, "3.801 V 412 mA", supply.Answer{Volts: unit.Some(unit.Voltage(3_801_000)), Amps: some(412_000)}},
		{wattLine, "3.801 V   -0.5 mA 31.25 C", supply.Answer{
			Volts: unit.Some(unit.Voltage(3_801_000)), Amps: some(-500), Celsius: unit.Some(unit.Temperature(31_250)),
		}},
		{wattLine, "NAN V OL mA", supply.Answer{AmpsOver: true}},
		{`I=(?P<amps>[0-9.]+)`, "U=5.02 I=0.412 P=2.06", supply.Answer{Amps: some(412_000)}},
		{`(?P<millivolts>\d+)mV`, "5021mV", supply.Answer{Volts: unit.Some(unit.Voltage(5_021_000))}},
		{`T=(?P<celsius>-?[0-9.]+)`, "T=-4.5", supply.Answer{Celsius: unit.Some(unit.Temperature(-4_500))}},
	} {
		p, err := supply.ParsePattern(tc.pattern)
		if err != nil {
			t.Fatal(err)
		}
		got, err := p.Read(tc.line)
		if err != nil || got != tc.want {
			t.Errorf("%s reads %q as %+v, %v; want %+v", tc.pattern, tc.line, got, err, tc.want)
		}
	}
	p, err := supply.ParsePattern(wattLine)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"", "Meter v1.2", "3.8 V much mA", "3.8.1 V 1 mA", "3,8 V 412 mA", "3.801 V 412 mA -300 C"} {
		if got, err := p.Read(line); !errors.Is(err, supply.ErrGarbled) {
			t.Errorf("%q was read as %+v, %v; want garbled", line, got, err)
		}
	}
	none, err := supply.ParsePattern(`^x(?P<amps>[0-9]+)?$`)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := none.Read("x"); !errors.Is(err, supply.ErrGarbled) {
		t.Errorf("a line that tells nothing was read as %+v, %v", got, err)
	}
}

func TestPatternRefuses(t *testing.T) {
	for pattern, want := range map[string]string{
		`(`:                             "not a regular expression",
		`[0-9.]+`:                       "no group tells a value",
		`(?P<watts>\S+)`:                `unknown group "watts": use (?P<volts>`,
		`(?P<volts>1)(?P<millivolts>2)`: "volts and millivolts exclude each other",
		`(?P<amps>1)(?P<milliamps>2)`:   "amps and milliamps exclude each other",
		`(?P<amps>1)|(?P<amps>2)`:       "", // the library's own words
		strings.Repeat("x", 1001):       "longer than 1000 bytes",
	} {
		if _, err := supply.ParsePattern(pattern); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ParsePattern(%q) = %v, want an error about %q", pattern, err, want)
		}
	}
}

// FuzzPattern reads any line by any pattern: a reading that is known lies in
// the range of its unit, and what tells nothing is garbled.
func FuzzPattern(f *testing.F) {
	f.Add(wattLine, "3.801 V 412 mA 31.25 C")
	f.Add(`(?P<celsius>\S+)`, "9.91E37")
	f.Add(`(?P<millivolts>.*)`, "-999999999999")
	f.Add(`^(?P<amps>[0-9.]*)`, "")
	f.Fuzz(func(t *testing.T, pattern, line string) {
		p, err := supply.ParsePattern(pattern)
		if err != nil {
			return
		}
		if !p.Power() && !p.Celsius() {
			t.Errorf("%q tells nothing and was accepted", pattern)
		}
		a, err := p.Read(line)
		if err != nil {
			if !errors.Is(err, supply.ErrGarbled) || a != (supply.Answer{}) {
				t.Errorf("%q reads %q as %+v, %v", pattern, line, a, err)
			}
			return
		}
		if c, ok := a.Celsius.Get(); ok && (c < -273_150 || !p.Celsius()) {
			t.Errorf("%q reads %q as %v", pattern, line, c)
		}
		if (a.Volts.Known() || a.Amps.Known()) && !p.Power() {
			t.Errorf("%q reads %q as %+v", pattern, line, a)
		}
	})
}

// stream is a meter that says its lines on each connection, then either falls
// silent or hangs up.
type stream struct {
	lines  []string // each sent as it is, pause after pause
	pause  time.Duration
	hangUp bool
	ended  []chan struct{}
}

func (s *stream) dial(context.Context) (supply.Conn, error) {
	if len(s.ended) > 0 {
		return nil, errors.New("unplugged")
	}
	near, far := net.Pipe()
	ended := make(chan struct{})
	s.ended = append(s.ended, ended)
	go func() {
		defer close(ended)
		for _, l := range s.lines {
			time.Sleep(s.pause)
			if _, err := io.WriteString(far, l); err != nil {
				return
			}
		}
		if s.hangUp {
			_ = far.Close()
		}
	}()
	return near, nil
}

// hear runs a poller on a stream for a while.
func hear(t *testing.T, s *stream, o supply.Options, d time.Duration) (*transcript, supply.Counts) {
	t.Helper()
	o.Station, o.Dial = "s1", s.dial
	p, err := supply.New(o)
	if err != nil {
		t.Fatal(err)
	}
	tr := &transcript{}
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	if err := p.Run(ctx, tr.emit); err != nil {
		t.Errorf("Run = %v", err)
	}
	for _, e := range s.ended {
		<-e
	}
	return tr, p.Counts()
}

func TestStreams(t *testing.T) {
	meter := supply.Options{Pattern: wattLine}
	for _, tc := range []struct {
		name    string
		o       supply.Options
		s       stream
		want    string
		garbled uint64
	}{
		{
			"the first half line is dropped, titles are counted", meter,
			stream{lines: []string{"1 V 412 mA\r\n", "Meter v1.2\r\n\r\n", "3.801 V 412 mA\r\n", "3.8", "01 V 412 mA\r\n", "3.801 V 412 mA\r3.801 V 412 mA\n"}, pause: time.Second},
			lines(good, good, good, good, "supply lost: no line within 5s", "supply lost: no connection: unplugged"), 1,
		},
		{
			"garbage only", meter,
			stream{lines: []string{"\n", "#1\n", "#2\n", "#3\n", "#4\n"}, pause: 900 * time.Millisecond},
			lines(`supply lost: no line within 5s fits the pattern: "#4"`, "supply lost: no connection: unplugged"), 5,
		},
		{
			"the end", meter,
			stream{lines: []string{"\n", "3.801 V 412 mA\n", "3.80"}, hangUp: true},
			lines(good, "supply lost: the meter closed the connection", "supply lost: no connection: unplugged"), 0,
		},
		{
			"no ends of lines", meter,
			stream{lines: []string{strings.Repeat("\x00\xff", 600)}},
			lines("supply lost: no end of a line within 1024 bytes: is the baud rate right?", "supply lost: no connection: unplugged"), 0,
		},
		{
			"a temperature is told once a second", meter,
			stream{lines: append([]string{"\n"}, slices.Repeat([]string{"3.801 V 412 mA 31.25 C\n"}, 4)...), pause: 450 * time.Millisecond},
			lines(good, "31.3 °C", good, good, "31.3 °C", good, "supply lost: no line within 5s", "supply lost: no connection: unplugged"), 0,
		},
		{
			"a meter on bus power",
			supply.Options{Pattern: wattLine, Channel: bench.ChannelVBUS, Timeout: time.Second},
			stream{lines: []string{"\n3.801 V 412 mA\n"}},
			lines(good+" vbus", "supply lost: no line within 1s (vbus)", "supply lost: no connection: unplugged (vbus)"), 0,
		},
		{
			"a thermometer",
			supply.Options{Pattern: `^T (?P<celsius>\S+)`, Channel: bench.ChannelThermometer, Timeout: time.Minute},
			stream{lines: []string{"\n", "T 31.25\n", "T 31.5\n", "T hot\n"}, pause: time.Second},
			lines("31.3 °C", "31.5 °C"), 1,
		},
		{
			"only the temperature of a supply",
			supply.Options{Pattern: `^(?:(?P<volts>\S+) V|T (?P<celsius>\S+))$`},
			stream{lines: append([]string{"\n"}, slices.Repeat([]string{"T 30\n"}, 7)...), pause: 900 * time.Millisecond},
			strings.Repeat(lines("30.0 °C"), 4) + lines("supply lost: no line within 5s", "supply lost: no connection: unplugged"), 0,
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				tr, counts := hear(t, &tc.s, tc.o, 12*time.Second)
				if diff := cmp.Diff(tc.want, tr.String()); diff != "" {
					t.Errorf("emitted (-want +got):\n%s", diff)
				}
				if n := counts.Failures[supply.Garbled]; n != tc.garbled {
					t.Errorf("%d garbled, want %d", n, tc.garbled)
				}
			})
		})
	}
}
