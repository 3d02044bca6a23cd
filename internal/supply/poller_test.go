package supply_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap/zaptest"

	"benchvigil/internal/bench"
	"benchvigil/internal/supply"
	"benchvigil/internal/supply/supplytest"
)

const compound = "MEAS:VOLT?;CURR?"

var (
	reading  = supplytest.Reply(compound, "3.801;0.412")
	noError  = supplytest.Reply("SYST:ERR?", `0,"No error"`)
	unheard  = supplytest.Reply("SYST:ERR?", `-113,"Undefined header"`)
	talk     = supplytest.Talk
	reply    = supplytest.Reply
	silence  = supplytest.Silence
	good     = "power 3.801 V 412 mA"
	backGood = "supply back\n" + good
)

// transcript is what a poller emitted.
type transcript struct {
	got []bench.Observation
}

func (tr *transcript) emit(o bench.Observation) bool {
	tr.got = append(tr.got, o)
	return true
}

func (tr *transcript) String() string {
	var b strings.Builder
	for _, o := range tr.got {
		b.WriteString(describe(o) + "\n")
	}
	return b.String()
}

func describe(o bench.Observation) string {
	switch f := o.Fact.(type) {
	case bench.Power:
		s := "power"
		if v, ok := f.Volts.Get(); ok {
			s += fmt.Sprintf(" %v", v)
		}
		if c, ok := f.Amps.Get(); ok {
			s += fmt.Sprintf(" %v", c)
		}
		if v, ok := f.SetVolts.Get(); ok {
			s += fmt.Sprintf(" set %v", v)
		}
		if c, ok := f.LimitAmps.Get(); ok {
			s += fmt.Sprintf(" limit %v", c)
		}
		if on, ok := f.Output.Get(); ok {
			s += fmt.Sprintf(" output %t", on)
		}
		return s + strings.TrimRight(" "+f.Channel, " ")
	case bench.Temperature:
		return f.Celsius.String()
	case bench.Supply:
		s := "supply " + string(f.Change)
		if f.Error != "" {
			s += ": " + f.Error
		}
		if f.Channel != "" {
			s += " (" + f.Channel + ")"
		}
		return s
	}
	return fmt.Sprintf("unexpected %T", o.Fact)
}

// play runs a poller against a script until the script is used up, and for
// after longer.
func play(t *testing.T, o supply.Options, after time.Duration, calls ...supplytest.Call) (*transcript, supply.Counts) {
	t.Helper()
	if o.Logger == nil {
		o.Logger = zaptest.NewLogger(t)
	}
	pb := supplytest.New(t, calls...)
	o.Station, o.Dial = "s1", pb.Dial
	p, err := supply.New(o)
	if err != nil {
		t.Fatal(err)
	}
	tr := &transcript{}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- p.Run(ctx, tr.emit) }()
	select {
	case <-pb.Done():
	case <-time.After(time.Hour):
		t.Error("the poller did not play the script within an hour")
	}
	time.Sleep(after)
	synctest.Wait()
	cancel()
	if err := <-ended; err != nil {
		t.Errorf("Run = %v, want nil", err)
	}
	return tr, p.Counts()
}

func lines(l ...string) string { return strings.Join(l, "\n") + "\n" }

// What instruments do, and what a poller makes of it.
func TestConversations(t *testing.T) {
	all := supply.Options{OutputQuery: "OUTP?", SetVoltsQuery: "VOLT?", LimitQuery: "CURR?"}
	singles := supply.Options{VoltsQuery: "MEAS:VOLT?", AmpsQuery: "MEAS:CURR?"}
	slow := supply.Options{Every: time.Second}
	for _, tc := range []struct {
		name  string
		o     supply.Options
		calls []supplytest.Call
		after time.Duration
		want  string
	}{
		{
			name:  "answers",
			calls: []supplytest.Call{talk(noError, reading, reading)},
			want:  lines(good, good),
		},
		{
			name:  "CRLF",
			calls: []supplytest.Call{talk(reply("SYST:ERR?", "0,No error\r"), reply(compound, "3.801,0.412\r"))},
			want:  lines(good),
		},
		{
			name:  "errors left over from before",
			calls: []supplytest.Call{talk(unheard, reply("SYST:ERR?", `-222,"Data out of range"`), noError, reading)},
			want:  lines(`supply error: -113,"Undefined header"`, `supply error: -222,"Data out of range"`, good),
		},
		{
			name:  "an error queue that never empties",
			calls: []supplytest.Call{talk(append(supplytest.Repeat(20, unheard), reading)...)},
			want: strings.Repeat(lines(`supply error: -113,"Undefined header"`), 20) +
				lines("supply error: the error queue is not empty after 20 entries", good),
		},
		{
			name: "single queries",
			o:    singles,
			calls: []supplytest.Call{talk(noError,
				reply("MEAS:VOLT?", "3.801"), reply("MEAS:CURR?", "0.412"),
				reply("MEAS:VOLT?", "9.91E37"), reply("MEAS:CURR?", "0.412"))},
			want: lines(good, "power 412 mA"),
		},
		{
			name:  "amps only",
			o:     supply.Options{AmpsQuery: "MEAS:CURR?"},
			calls: []supplytest.Call{talk(noError, reply("MEAS:CURR?", "0.412"))},
			want:  lines("power 412 mA"),
		},
		{
			name: "state rides on the next reading",
			o:    all,
			calls: []supplytest.Call{talk(noError, reading, reply("OUTP?", "1"), reply("VOLT?", "4.2"), reply("CURR?", "2"),
				reading, reading)},
			want: lines(good, good+" set 4.200 V limit 2.000 A output true", good),
		},
		{
			name: "an instrument that measures nothing while its output is off",
			o:    supply.Options{OutputQuery: "OUTP?"},
			calls: []supplytest.Call{talk(noError, reading, reply("OUTP?", "OFF"),
				reply(compound, "9.91E37;9.91E37"), reply(compound, "9.91E37;9.91E37"), reading)},
			want: lines(good, "power output false", "supply error: the instrument answers not-a-number", good),
		},
		{
			name: "over range is told once",
			calls: []supplytest.Call{talk(noError, reply(compound, "3.801;9.9E37"), reply(compound, "3.801;9.9E37"), reading,
				reply(compound, "-9.9E37;9.9E37"))},
			want: lines("power 3.801 V", "supply error: amps are over range", "power 3.801 V", good,
				"supply error: volts and amps are over range"),
		},
		{
			name: "over range is told again after ten clean readings",
			calls: []supplytest.Call{talk(append(append([]supplytest.Exchange{noError, reply(compound, "3.801;INF")},
				supplytest.Repeat(10, reading)...), reply(compound, "3.801;INF"))...)},
			want: lines("power 3.801 V", "supply error: amps are over range") + strings.Repeat(lines(good), 10) +
				lines("power 3.801 V", "supply error: amps are over range"),
		},
		{
			name: "a trouble that comes and goes is told once",
			calls: []supplytest.Call{talk(slices.Concat([]supplytest.Exchange{noError},
				supplytest.Repeat(3, append(supplytest.Repeat(6, reading), reply(compound, "3.801;INF"))...))...)},
			want: strings.Repeat(lines(good), 6) + lines("power 3.801 V", "supply error: amps are over range") +
				strings.Repeat(strings.Repeat(lines(good), 6)+lines("power 3.801 V"), 2),
		},
		{
			name: "state from before a loss does not ride on a reading after it",
			o:    supply.Options{OutputQuery: "OUTP?"},
			calls: []supplytest.Call{
				talk(noError, reading, reply("OUTP?", "1"), supplytest.Exchange{Want: compound, Hangup: true}),
				talk(noError, reading),
			},
			want: lines(good, `supply lost: ask "MEAS:VOLT?;CURR?": the instrument closed the connection`, backGood),
		},
		{
			name:  "silence, then an answer",
			calls: []supplytest.Call{talk(noError, reading, silence(compound)), talk(noError, reading)},
			want:  lines(good, `supply lost: no answer to "MEAS:VOLT?;CURR?" within 500ms`, backGood),
		},
		{
			name:  "silence is told once",
			calls: []supplytest.Call{talk(noError, silence(compound)), talk(noError, silence(compound)), talk(noError, reading)},
			want:  lines(`supply lost: no answer to "MEAS:VOLT?;CURR?" within 500ms`, backGood),
		},
		{
			name: "a late answer is not taken for the next one",
			calls: []supplytest.Call{
				talk(noError, supplytest.Exchange{Want: compound, Answer: "9.999;9.999\n", After: 600 * time.Millisecond}),
				talk(noError, reading),
			},
			want: lines(`supply lost: no answer to "MEAS:VOLT?;CURR?" within 500ms`, backGood),
		},
		{
			name:  "slow but in time",
			calls: []supplytest.Call{talk(noError, supplytest.Exchange{Want: compound, Answer: "3.801;0.412\n", After: 499 * time.Millisecond}, reading)},
			want:  lines(good, good),
		},
		{
			name: "half a line, then the other half",
			o:    slow,
			calls: []supplytest.Call{talk(noError,
				supplytest.Exchange{Want: compound, Answer: "3.8", Rest: "01;0.412\n", Pause: 300 * time.Millisecond})},
			want: lines(good),
		},
		{
			name:  "half a line, then silence",
			calls: []supplytest.Call{talk(noError, supplytest.Exchange{Want: compound, Answer: "3.801;0.4"}), talk(noError, reading)},
			want:  lines(`supply lost: no answer to "MEAS:VOLT?;CURR?" within 500ms`, backGood),
		},
		{
			name:  "half a line, then the end",
			calls: []supplytest.Call{talk(noError, supplytest.Exchange{Want: compound, Answer: "3.801;0.4", Hangup: true}), talk(noError, reading)},
			want:  lines(`supply lost: ask "MEAS:VOLT?;CURR?": the instrument closed the connection`, backGood),
		},
		{
			name:  "closed at once",
			calls: []supplytest.Call{talk(), talk(noError, reading)},
			want:  lines(`supply lost: ask "SYST:ERR?": io: read/write on closed pipe`, backGood),
		},
		{
			name:  "refused, then restarted",
			calls: []supplytest.Call{talk(noError, supplytest.Exchange{Want: compound, Hangup: true}), supplytest.Refused(), supplytest.Refused(), talk(noError, reading)},
			want: lines(`supply lost: ask "MEAS:VOLT?;CURR?": the instrument closed the connection`,
				"supply lost: no connection: connection refused", backGood),
		},
		{
			name:  "refused from the start",
			calls: []supplytest.Call{supplytest.Refused(), supplytest.Refused(), talk(noError, reading)},
			want:  lines("supply lost: no connection: connection refused", backGood),
		},
		{
			name:  "one garbled answer is no loss",
			calls: []supplytest.Call{talk(noError, reading, reply(compound, "3.8#!"), noError, reading)},
			want:  lines(good, `supply error: garbled answer to "MEAS:VOLT?;CURR?": "3.8#!"`, good),
		},
		{
			name: "three garbled answers are a loss",
			calls: []supplytest.Call{
				talk(noError, reply(compound, "\x00\xff"), noError, reply(compound, ""), noError, reply(compound, "3.8V;1A")),
				talk(noError, reading),
			},
			want: lines(`supply error: garbled answer to "MEAS:VOLT?;CURR?": "\x00\xff"`,
				`supply lost: garbled answer to "MEAS:VOLT?;CURR?": "3.8V;1A"`, backGood),
		},
		{
			name: "a garbled answer now and then is no loss",
			calls: []supplytest.Call{talk(noError, reply(compound, "?"), noError, reply(compound, "?"), noError, reading,
				reply(compound, "?"), noError, reply(compound, "?"), noError, reading)},
			want: lines(`supply error: garbled answer to "MEAS:VOLT?;CURR?": "?"`, good, good),
		},
		{
			name: "garbled out of step",
			calls: []supplytest.Call{
				talk(noError, reply(compound, "?"), reply("SYST:ERR?", "3.801;0.412")),
				talk(noError, reading),
			},
			want: lines(`supply lost: garbled answer to "MEAS:VOLT?;CURR?": "?"`, backGood),
		},
		{
			name:  "an answer without an end",
			calls: []supplytest.Call{talk(noError, reply(compound, strings.Repeat("9", 1500))), talk(noError, reading)},
			want:  lines(`supply lost: answer to "MEAS:VOLT?;CURR?" is longer than 1024 bytes`, backGood),
		},
		{
			name:  "two lines to one query",
			calls: []supplytest.Call{talk(noError, supplytest.Exchange{Want: compound, Answer: "3.801\n0.412\n"}), talk(noError, reading)},
			want: lines(`supply lost: "MEAS:VOLT?;CURR?" was answered by one value, not two: set volts_query and amps_query: "3.801"`,
				backGood),
		},
		{
			name: "the compound query gives one value",
			calls: []supplytest.Call{
				talk(noError, reply(compound, "3.801"), unheard, noError, reply(compound, "3.801"), noError, reply(compound, "3.801")),
				talk(noError, reading),
			},
			want: lines(`supply error: -113,"Undefined header"`,
				`supply error: the instrument refused "MEAS:VOLT?;CURR?" (-113,"Undefined header"): set volts_query and amps_query`,
				`supply error: "MEAS:VOLT?;CURR?" was answered by one value, not two: set volts_query and amps_query: "3.801"`,
				`supply lost: "MEAS:VOLT?;CURR?" was answered by one value, not two: set volts_query and amps_query: "3.801"`,
				backGood),
		},
		{
			name:  "the compound query is answered by an error",
			calls: []supplytest.Call{talk(noError, reply(compound, `-113,"Undefined header"`), noError, reading)},
			want: lines(`supply error: "MEAS:VOLT?;CURR?" was answered by an error: set volts_query and amps_query: "-113,\"Undefined header\""`,
				good),
		},
		{
			name:  "the compound query is not answered and the error queue says why",
			calls: []supplytest.Call{talk(noError, silence(compound)), talk(unheard, noError, reading)},
			want: lines(`supply lost: no answer to "MEAS:VOLT?;CURR?" within 500ms`, `supply error: -113,"Undefined header"`,
				`supply error: the instrument refused "MEAS:VOLT?;CURR?" (-113,"Undefined header"): set volts_query and amps_query`,
				backGood),
		},
		{
			name:  "no error queue",
			calls: []supplytest.Call{talk(silence("SYST:ERR?")), talk(reading, supplytest.Exchange{Want: compound, Hangup: true}), talk(reading)},
			want: lines(`supply error: "SYST:ERR?" is not answered as it should be: errors of this instrument cannot be told`, good,
				`supply lost: ask "MEAS:VOLT?;CURR?": the instrument closed the connection`, backGood),
		},
		{
			name:  "all silent at first: the error queue is not given up",
			calls: []supplytest.Call{talk(silence("SYST:ERR?")), talk(silence(compound)), talk(noError, reading)},
			want:  lines(`supply lost: no answer to "MEAS:VOLT?;CURR?" within 500ms`, backGood),
		},
		{
			name:  "a state query that is not answered is given up",
			o:     supply.Options{OutputQuery: "OUTP?"},
			calls: []supplytest.Call{talk(noError, reading, silence("OUTP?")), talk(append([]supplytest.Exchange{unheard, noError}, supplytest.Repeat(30, reading)...)...)},
			want: lines(good, `supply error: -113,"Undefined header"`,
				`supply error: "OUTP?" is not answered as it should be: it is no longer asked`) + strings.Repeat(lines(good), 30),
		},
		{
			name: "a state query that was answered before is asked again",
			o:    supply.Options{OutputQuery: "OUTP?", Every: time.Second},
			calls: []supplytest.Call{
				talk(noError, reading, reply("OUTP?", "1"), reading, reply("OUTP?", "?")),
				talk(noError, reading, reading, reply("OUTP?", "0"), reading, reply("OUTP?", "0")),
			},
			want: lines(good, good+" output true", good, good, good+" output false"),
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				tr, _ := play(t, tc.o, tc.after, tc.calls...)
				if diff := cmp.Diff(tc.want, tr.String()); diff != "" {
					t.Errorf("emitted (-want +got):\n%s", diff)
				}
			})
		})
	}
}
