package scpi

import (
	"fmt"
	"strings"
	"testing"

	"benchvigil/internal/unit"
)

func newInstrument() (*Instrument, *Reading) {
	r := &Reading{Volts: 3_801_000, Amps: 412_000, Output: true, SetVolts: 4 * unit.Volt, LimitAmps: 2 * unit.Ampere}
	return &Instrument{
		idn:       "Invented Instruments,BV-1,0,1.0",
		read:      func() Reading { return *r },
		setOutput: func(on bool) { r.Output = on },
	}, r
}

// ask sends messages and joins the answers; a message without one gives "-".
func ask(in *Instrument, messages ...string) string {
	var out []string
	for _, m := range messages {
		a, ok := in.obey(m, in.read())
		if !ok {
			a = "-"
		}
		out = append(out, a)
	}
	return strings.Join(out, " | ")
}

// Headers: short and long form, any case, leading colon and optional nodes as in
// SCPI-1999 volume 1, 6.2 (from memory). Error numbers and words, and the queue:
// SCPI-1999 volume 2, 21.8.
func TestObey(t *testing.T) {
	for _, tc := range []struct {
		messages []string
		want     string
	}{
		{[]string{"*IDN?"}, "Invented Instruments,BV-1,0,1.0"},
		{[]string{"*idn?"}, "Invented Instruments,BV-1,0,1.0"},
		{[]string{"MEAS:VOLT?"}, "3.801000"},
		{[]string{"MEAS:CURR?"}, "0.412000"},
		{[]string{"MEAS:VOLT?;CURR?"}, "3.801000;0.412000"},
		{[]string{":MEAS:VOLT?;CURR?"}, "3.801000;0.412000"},
		{[]string{":MEAS:VOLT?;:MEAS:CURR?"}, "3.801000;0.412000"},
		{[]string{"MEASure:VOLTage?;CURRent?"}, "3.801000;0.412000"},
		{[]string{"meas:scal:volt:dc?"}, "3.801000"},
		{[]string{"MEAS:SCALAR:CURRENT:DC?"}, "0.412000"},
		{[]string{"MEAS:VOLT?;:CURR?"}, "3.801000;2.000000"}, // the second is a setting
		{[]string{"MEAS:VOLT?;*IDN?;CURR?"}, "3.801000;Invented Instruments,BV-1,0,1.0;0.412000"},
		{[]string{"VOLT?"}, "4.000000"},
		{[]string{"SOUR:CURR:LEV?"}, "2.000000"},
		{[]string{"OUTP?"}, "1"},
		{[]string{"OUTP OFF", "OUTP?", "OUTP:STAT ON;STAT?"}, "- | 0 | 1"},
		{[]string{"SYST:ERR?"}, `0,"No error"`},
		{[]string{"SYSTem:ERRor:NEXT?"}, `0,"No error"`},
		{[]string{""}, "-"},
		{[]string{"FOO?", "SYST:ERR?", "SYST:ERR?"}, `- | -113,"Undefined header" | 0,"No error"`},
		{[]string{"MEASU:VOLT?", "MEAS:VOLTS?", "SYST:ERR?"}, `- | - | -113,"Undefined header"`}, // neither short nor long
		{[]string{"MEAS:VOLT?;FOO?;CURR?", "SYST:ERR?"}, `3.801000 | -113,"Undefined header"`},
		{[]string{"MEAS:VOLT:DC?;CURR?", "SYST:ERR?"}, `3.801000 | -113,"Undefined header"`}, // MEAS:VOLT:CURR is nothing
		{[]string{"MEAS:VOLT", "SYST:ERR?"}, `- | -113,"Undefined header"`},
		{[]string{"MEAS:VOLT? CH1", "SYST:ERR?"}, `- | -108,"Parameter not allowed"`},
		{[]string{"OUTP", "SYST:ERR?"}, `- | -109,"Missing parameter"`},
		{[]string{"OUTP MAYBE", "SYST:ERR?"}, `- | -224,"Illegal parameter value"`},
		{[]string{"FOO", "BAR", "*CLS", "SYST:ERR?"}, `- | - | - | 0,"No error"`},
		{[]string{"*CLS 1", "SYST:ERR?"}, `- | -108,"Parameter not allowed"`},
		{[]string{";", "SYST:ERR?"}, `- | -113,"Undefined header"`},
	} {
		in, _ := newInstrument()
		if got := ask(in, tc.messages...); got != tc.want {
			t.Errorf("%q gives %s, want %s", tc.messages, got, tc.want)
		}
	}
}

func TestOutputWithoutSwitch(t *testing.T) {
	in, r := newInstrument()
	in.setOutput = nil
	if got := ask(in, "OUTP OFF", "SYST:ERR?", "OUTP?"); got != `- | -113,"Undefined header" | 1` || !r.Output {
		t.Errorf("got %s, output %t", got, r.Output)
	}
}

// SCPI-1999 volume 2, 21.8: first in, first out; on overflow the last entry
// becomes -350.
func TestErrorQueueOverflow(t *testing.T) {
	var q errorQueue
	for i := range queueSize + 5 {
		q.push(scpiError{i + 1, "device error"})
	}
	for i := range queueSize - 1 {
		if e := q.pop(); e.code != i+1 {
			t.Fatalf("entry %d is %v", i+1, e)
		}
	}
	if e := q.pop().String(); e != `-350,"Queue overflow"` {
		t.Errorf("the last entry is %s, want the overflow", e)
	}
	if e := q.pop(); e != noError {
		t.Errorf("an empty queue gives %v", e)
	}
}

func TestDecimal(t *testing.T) {
	for micro, want := range map[int64]string{0: "0.000000", 1: "0.000001", -1: "-0.000001", 3_801_000: "3.801000", -12_345_678: "-12.345678"} {
		if got := decimal(micro); got != want {
			t.Errorf("decimal(%d) = %s, want %s", micro, got, want)
		}
		if back, err := unit.ParseVolts(want); err != nil || int64(back) != micro {
			t.Errorf("%s reads as %d, %v", want, int64(back), err)
		}
	}
}

// Whatever comes, an answer is one line with one part for each query at most,
// and the error queue says what was wrong with what got none.
func FuzzObey(f *testing.F) {
	for _, s := range []string{"MEAS:VOLT?;CURR?", ":MEAS:VOLT?;:CURR?", "*CLS;*IDN?", "OUTP ON;STAT?", ";;", ":", "::?", "?", "*", "SYST:ERR?", "\x00\xff?", "MEAS:VOLT? 1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, message string) {
		in, _ := newInstrument()
		answer, ok := in.obey(message, in.read())
		if strings.ContainsAny(answer, "\r\n") || !ok && answer != "" {
			t.Fatalf("%q gives %q, %t", message, answer, ok)
		}
		queries := strings.Count(message, "?")
		if n := strings.Count(answer, ";") + 1; ok && n > queries {
			t.Fatalf("%q asks %d times and is answered %d times: %q", message, queries, n, answer)
		}
		asked := strings.Contains(message, "?") && !strings.Contains(strings.ToUpper(message), "ERR")
		if asked && !ok && in.errors.pop() == noError {
			t.Fatalf("%q is not answered and no error is noted", fmt.Sprint(message))
		}
	})
}
