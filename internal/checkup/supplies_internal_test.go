package checkup

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/supply"
	"benchvigil/internal/unit"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func instrument(t *testing.T, b scpi.Behaviour) (address string) {
	t.Helper()
	r := scpi.Reading{Volts: 3_801_000, Amps: 412_000, Output: true, Behaviour: b}
	srv, err := scpi.Listen("127.0.0.1:0", scpi.Options{Read: func() scpi.Reading { return r }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := srv.Close(); err != nil {
			t.Error(err)
		}
	})
	return srv.Addr()
}

// Real sockets: a good instrument, a silent one, one that garbles, and none.
func TestSupplies(t *testing.T) {
	gone := instrument(t, scpi.Answering)
	s := System{Measure: time.Second}
	opts := func(address string) []supply.Options {
		return []supply.Options{{Station: "s", Address: address, Every: 20 * time.Millisecond, Timeout: 200 * time.Millisecond}}
	}
	got := s.supplies(t.Context(), []Station{
		{ID: "good", Supplies: opts(gone)},
		{ID: "silent", Supplies: opts(instrument(t, scpi.Silent))},
		{ID: "garbling", Supplies: opts(instrument(t, scpi.Garbling))},
		{ID: "none"},
		{ID: "nobody", Supplies: opts("127.0.0.1:1")},
	})
	if len(got) != 4 {
		t.Fatalf("%d results, want 4: %v", len(got), lines(got))
	}
	if got[0].Verdict != OK && got[0].Verdict != Attention || !strings.Contains(got[0].Found, "3.801 V, 412 mA") {
		t.Errorf("good: %+v", got[0])
	}
	want(t, got[1], Failed, "no answer")
	want(t, got[2], Failed, "garbled")
	want(t, got[3], Failed, "no connection")
	for _, r := range got[1:] {
		if r.Cause != Hardware {
			t.Errorf("%s is not the hardware's fault", r.Check)
		}
	}
}

// A supply that a running watch reads is not asked beside it.
func TestWatchedSuppliesAreLeftAlone(t *testing.T) {
	power := bench.Power{Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(412 * unit.Milliampere)}
	opts := []supply.Options{{Station: "s", Address: "127.0.0.1:1"}} // would fail if it were asked
	got := System{Measure: time.Second}.supplies(t.Context(), []Station{
		{ID: "a", Supplies: opts, Watched: Watched{"": {Power: power}}},
		{ID: "b", Supplies: opts, Watched: Watched{"": {Lost: true, Error: "no answer"}}},
		{ID: "c", Supplies: opts},
	})
	want(t, got[0], OK, "reads it: 3.800 V, 412 mA")
	want(t, got[1], Failed, "no answer")
	want(t, got[2], Failed, "connection refused")
}

// printing is a meter that prints this line over and over.
func printing(t *testing.T, line string) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			for err == nil {
				_, err = fmt.Fprintln(c, line)
				<-time.After(10 * time.Millisecond)
			}
			_ = c.Close()
		}
	}()
	t.Cleanup(func() {
		_ = l.Close()
		<-done
	})
	return l.Addr().String()
}

// The meters of a station are looked at like its supply, each by its name.
func TestMeters(t *testing.T) {
	meter := supply.Options{Station: "a", Channel: bench.ChannelVBUS, Timeout: time.Second, Address: printing(t, "5.08 V 310 mA"), Pattern: `^(?P<volts>\S+) V (?P<milliamps>\S+) mA$`}
	heat := supply.Options{Station: "a", Channel: bench.ChannelThermometer, Timeout: time.Second, Address: printing(t, "T 31.5"), Pattern: `^T (?P<celsius>\S+)$`}
	dead := supply.Options{Station: "b", Channel: bench.ChannelThermometer, Timeout: time.Second, Address: printing(t, "hello"), Pattern: `^T (?P<celsius>\S+)$`}
	s := System{Measure: 100 * time.Millisecond}
	got := s.supplies(t.Context(), []Station{
		{ID: "a", Supplies: []supply.Options{meter, heat}},
		{ID: "b", Supplies: []supply.Options{dead}},
	})
	want(t, got[0], OK, "5.080 V, 310 mA")
	want(t, got[1], OK, "a meter that prints by itself, 31.5 °C")
	want(t, got[2], Failed, "pattern")
	for i, check := range []string{"vbus_meter (a)", "thermometer (a)", "thermometer (b)"} {
		if got[i].Check != check {
			t.Errorf("%q, want %q", got[i].Check, check)
		}
	}
	got = s.supplies(t.Context(), []Station{{ID: "a", Supplies: []supply.Options{meter, heat}, Watched: Watched{
		"": {}, bench.ChannelVBUS: {Lost: true}, bench.ChannelThermometer: {Celsius: unit.Some(unit.Temperature(31_500))},
	}}})
	want(t, got[0], Failed, "the benchvigil that runs gets no readings")
	want(t, got[1], OK, "reads it: 31.5 °C")
}

func TestReadings(t *testing.T) {
	power := bench.Power{Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(412 * unit.Milliampere)}
	good := Measured{Name: "Invented,PS1,1,1", Last: power, Readings: 21, Over: 2 * time.Second, Every: 100 * time.Millisecond}
	change := func(f func(m *Measured)) Measured {
		m := good
		f(&m)
		return m
	}
	for _, tc := range []struct {
		name  string
		m     Measured
		v     Verdict
		found string
		do    string
	}{
		{"good", good, OK, "Invented,PS1,1,1, 3.800 V, 412 mA, 10.0 readings a second", ""},
		{"nameless", change(func(m *Measured) { m.Refusal = &supply.AskError{Kind: supply.Silent} }), OK, "does not say its name", ""},
		{"foreign bytes", change(func(m *Measured) { m.Name = "\x1b[2Jx\xff" }), OK, "?[2Jx", ""},
		{"slow", change(func(m *Measured) { m.Readings = 8 }), Attention, "3.5 readings a second where 10 are asked for", "every: 290ms"},
		{"one", change(func(m *Measured) { m.Readings, m.Over = 1, 0 }), Attention, "only one reading", "every: 1s"},
		{"complains", change(func(m *Measured) { m.Trouble = "-113" }), Attention, "-113", ""},
		{"none", Measured{Name: "x", Trouble: "garbled"}, Failed, "garbled", "enroll"},
		{"none, silently", Measured{Name: "x"}, Failed, "no reading", "enroll"},
		{"a stream", Measured{Streams: true, Last: power, Readings: 1}, OK, "prints by itself, 3.800 V, 412 mA, 1 lines", ""},
		{"a stream of something else", Measured{Streams: true}, Failed, "fits the pattern", "baud"},
		{"forbidden", Measured{Refusal: &supply.AskError{Kind: supply.Unreachable, What: "no connection", Err: fs.ErrPermission}}, Failed, "no connection", "dialout"},
		{"unplugged", Measured{Refusal: &supply.AskError{Kind: supply.Unreachable, Err: fs.ErrNotExist}}, Failed, "", "no such device"},
		{"off", Measured{Refusal: &supply.AskError{Kind: supply.Unreachable, Err: errors.New("x")}}, Failed, "", "switched on"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := readings("supply", tc.m)
			want(t, r, tc.v, tc.found)
			if !strings.Contains(r.Do, tc.do) {
				t.Errorf("says to do %q, want %q in it", r.Do, tc.do)
			}
		})
	}
}

func TestWorst(t *testing.T) {
	for _, tc := range []struct {
		results []Result
		cause   Cause
		ok      bool
	}{
		{nil, Other, true},
		{[]Result{{Verdict: Attention}, {Verdict: Unknown}, {Verdict: OK}}, Other, true},
		{[]Result{{Verdict: Failed, Cause: Other}}, Other, false},
		{[]Result{{Verdict: Failed, Cause: Other}, {Verdict: Failed, Cause: Hardware}}, Hardware, false},
		{[]Result{{Verdict: Failed, Cause: Hardware}, {Verdict: Failed, Cause: Other}}, Hardware, false},
		{[]Result{{Verdict: Failed, Cause: Config}, {Verdict: Failed, Cause: Hardware}}, Config, false},
		{[]Result{{Verdict: Failed, Cause: Hardware}, {Verdict: Failed, Cause: Config}}, Config, false},
	} {
		if cause, ok := Worst(tc.results); cause != tc.cause || ok != tc.ok {
			t.Errorf("Worst(%v) = %v, %v, want %v, %v", tc.results, cause, ok, tc.cause, tc.ok)
		}
	}
}

func TestPrint(t *testing.T) {
	results := []Result{
		{Check: "configuration", Verdict: Failed, Found: "a.yaml:1: x\na.yaml:2: y", Do: "mend it", Cause: Config},
		{Check: "lid", Verdict: Unknown, Found: "not found here"},
	}
	var b bytes.Buffer
	if err := Print(&b, results); err != nil {
		t.Fatal(err)
	}
	want := `failed     configuration  a.yaml:1: x
                          a.yaml:2: y
                          -> mend it
unknown    lid            not found here
2 checks: 0 ok, 0 attention, 1 failed, 1 unknown
`
	if d := cmp.Diff(want, b.String()); d != "" {
		t.Error(d)
	}
	b.Reset()
	if err := PrintJSON(&b, results); err != nil {
		t.Fatal(err)
	}
	var back []Result
	if err := json.Unmarshal(b.Bytes(), &back); err != nil || len(back) != 2 || back[0].Do != "mend it" || back[1].Verdict != Unknown {
		t.Errorf("JSON %s gives %v, %v", b.Bytes(), back, err)
	}
}

// A checkup of a bad configuration still looks at the computer.
func TestRunWithoutAConfiguration(t *testing.T) {
	s := system(desk())
	s.Root, s.Free, s.Clock = files(nil), FreeSpace, KernelClock
	got := Run(t.Context(), Bench{Problem: errors.New("a.yaml:3: x"), Folders: []string{t.TempDir()}}, s)
	want(t, got[0], Failed, "a.yaml:3: x")
	if cause, ok := Worst(got); cause != Config || ok || len(got) < 9 {
		t.Errorf("worst %v, %v of %v", cause, ok, lines(got))
	}
}
