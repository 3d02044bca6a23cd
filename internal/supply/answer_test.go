package supply_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"benchvigil/internal/supply"
	"benchvigil/internal/unit"
)

func volts(microvolts int64) unit.Maybe[unit.Voltage] { return unit.Some(unit.Voltage(microvolts)) }
func amps(microamps int64) unit.Maybe[unit.Current]   { return unit.Some(unit.Current(microamps)) }

func ExampleParseAnswer() {
	a, err := supply.ParseAnswer("3.801;0.412", supply.VoltsAndAmps)
	v, _ := a.Volts.Get()
	c, _ := a.Amps.Get()
	fmt.Println(v, c, err)
	// Output: 3.801 V 412 mA <nil>
}

// Number forms: IEEE 488.2 8.7.2 (NR1), 8.7.3 (NR2), 8.7.4 (NR3; section number
// from memory). 273, 0.273, 2.73E+2, 146, +146, 12.3, +1.2345 and -0.123 are the
// examples that instrument makers' manuals print. Stand-ins: SCPI-1999 volume 1,
// 7.2.1.4 (INFinity, NINFinity) and 7.2.1.5 (NAN), with the spellings of makers'
// manuals. Reading them with more or fewer digits, and the signed words, are
// common practice.
func TestParseAnswer(t *testing.T) {
	type ans = supply.Answer
	for _, tc := range []struct {
		name, line string
		asked      supply.Asked
		want       supply.Answer
		err        error
	}{
		{name: "semicolon", line: "3.801;0.412", want: ans{Volts: volts(3_801_000), Amps: amps(412_000)}},
		{name: "comma", line: "3.801,0.412", want: ans{Volts: volts(3_801_000), Amps: amps(412_000)}},
		{name: "comma and space", line: "3.801, 0.412 ", want: ans{Volts: volts(3_801_000), Amps: amps(412_000)}},
		{name: "NR1", line: "146;+146", want: ans{Volts: volts(146e6), Amps: amps(146e6)}},
		{name: "NR2", line: "+1.2345;-0.123", want: ans{Volts: volts(1_234_500), Amps: amps(-123_000)}},
		{name: "NR3", line: "+3.80100000E+00;+4.12000000E-01", want: ans{Volts: volts(3_801_000), Amps: amps(412_000)}},
		{name: "NR1, NR2, NR3 are one number", line: "273;2.73E+2", want: ans{Volts: volts(273e6), Amps: amps(273e6)}},
		{name: "negative zero", line: "-0.000;-0.0", want: ans{Volts: volts(0), Amps: amps(0)}},
		{name: "single volts", line: "0.273", asked: supply.VoltsOnly, want: ans{Volts: volts(273_000)}},
		{name: "single amps", line: "4.12E-1", asked: supply.AmpsOnly, want: ans{Amps: amps(412_000)}},

		{name: "not-a-number", line: "9.91E37;0.412", want: ans{Amps: amps(412_000)}},
		{name: "not-a-number, E+", line: "9.91E+37", asked: supply.AmpsOnly},
		{name: "not-a-number, six decimals", line: "9.910000E+37", asked: supply.VoltsOnly},
		{name: "not-a-number, four decimals", line: "9.9100E+37;9.9100E+37"},
		{name: "not-a-number as a word", line: "NAN;nan"},
		{name: "over range", line: "3.8;9.9E37", want: ans{Volts: volts(3_800_000), AmpsOver: true}},
		{name: "over range, as a single precision prints it", line: "9.90000002E+37;0.1", want: ans{VoltsOver: true, Amps: amps(100_000)}},
		{name: "under range", line: "-9.9E+37;-9.90000E37", want: ans{VoltsOver: true, AmpsOver: true}},
		{name: "infinity as words", line: "INF;NINF", want: ans{VoltsOver: true, AmpsOver: true}},
		{name: "infinity as long words", line: "INFinity;NINFinity", want: ans{VoltsOver: true, AmpsOver: true}},
		{name: "infinity as C prints it", line: "inf;-inf", want: ans{VoltsOver: true, AmpsOver: true}},

		{name: "one value", line: "3.801", err: supply.ErrOneValue},
		{name: "one not-a-number", line: "9.91E37", err: supply.ErrOneValue},
		{name: "error entry", line: `-113,"Undefined header"`, err: supply.ErrRefused},
		{name: "error entry without quotes", line: `-113,Undefined header`, err: supply.ErrRefused},
		{name: "no error, which belongs to another query", line: `0,"No error"`, err: supply.ErrGarbled},
		{name: "three values", line: "3.801,0.412,1.566", err: supply.ErrGarbled},
		{name: "two values where one was asked for", line: "3.801;0.412", asked: supply.VoltsOnly, err: supply.ErrGarbled},
		{name: "empty", line: "", err: supply.ErrGarbled},
		{name: "empty single", line: "", asked: supply.AmpsOnly, err: supply.ErrGarbled},
		{name: "half", line: "3.801;", err: supply.ErrGarbled},
		{name: "other half", line: ";0.412", err: supply.ErrGarbled},
		{name: "units", line: "3.801V;0.412A", err: supply.ErrGarbled},
		{name: "unit after a space", line: "3.801 V", asked: supply.VoltsOnly, err: supply.ErrGarbled},
		{name: "space in the number", line: "9.91 E37", asked: supply.VoltsOnly, err: supply.ErrGarbled},
		{name: "negative not-a-number is none", line: "-9.91E37", asked: supply.VoltsOnly, err: supply.ErrGarbled},
		{name: "larger than anything on a bench", line: "9.8E37", asked: supply.VoltsOnly, err: supply.ErrGarbled},
		{name: "hexadecimal", line: "0x10", asked: supply.VoltsOnly, err: supply.ErrGarbled},
		{name: "carriage return left over", line: "3.801;0.412\r", err: supply.ErrGarbled},
		{name: "words", line: "OVERLOAD", asked: supply.AmpsOnly, err: supply.ErrGarbled},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := supply.ParseAnswer(tc.line, tc.asked)
			if got != tc.want || !errors.Is(err, tc.err) || (err == nil) != (tc.err == nil) {
				t.Errorf("ParseAnswer(%q) = %+v, %v; want %+v, %v", tc.line, got, err, tc.want, tc.err)
			}
		})
	}
}

// The error queue: SCPI-1999 volume 2, 21.8; the spellings of "no error" are
// those of instrument makers' manuals.
func TestParseErrorEntry(t *testing.T) {
	for _, tc := range []struct {
		line string
		want string // "" for an error
	}{
		{`0,"No error"`, `0,"No error"`},
		{`+0,"No error"`, `0,"No error"`},
		{`0,No error`, `0,"No error"`},
		{`-113,"Undefined header"`, `-113,"Undefined header"`},
		{`-113,"Undefined header;MEAS:VOLT"`, `-113,"Undefined header;MEAS:VOLT"`},
		{`-350,"Queue overflow"`, `-350,"Queue overflow"`},
		{`+301,"PV above OVP"`, `301,"PV above OVP"`},
		{` -222, "Data out of range"`, `-222,"Data out of range"`},
		{`32767,"the largest"`, `32767,"the largest"`},
		{`-32768,"the smallest"`, `-32768,"the smallest"`},
		{`-100,"say ""what"""`, `-100,"say ""what"""`},
		{`-100,""`, `-100,""`},
		{"-100,\"bell \a\"", `-100,"bell ?"`},
		{"-100,\"\xff\"", `-100,"?"`},
		{`32768,"too large"`, ""},
		{`0`, ""},
		{``, ""},
		{`No error`, ""},
		{`3.801,0.412`, ""},
		{`0,0.412`, ""},
		{`0,"No error`, ""},
		{`-113,`, ""},
		{`-113;"Undefined header"`, ""},
	} {
		e, err := supply.ParseErrorEntry(tc.line)
		switch {
		case tc.want == "" && !errors.Is(err, supply.ErrGarbled):
			t.Errorf("ParseErrorEntry(%q) = %v, %v; want ErrGarbled", tc.line, e, err)
		case tc.want != "" && (err != nil || e.String() != tc.want):
			t.Errorf("ParseErrorEntry(%q) = %v, %v; want %s", tc.line, e, err, tc.want)
		}
	}
	long, err := supply.ParseErrorEntry(`1,"` + strings.Repeat("é", 300) + `"`)
	if err != nil || len(long.Text) > 255 || len(long.Text) < 250 {
		t.Errorf("a description of 600 bytes gives %d bytes, %v; want it cut to 255", len(long.Text), err)
	}
}

func TestCommandError(t *testing.T) {
	for code, want := range map[int16]bool{-99: false, -100: true, -113: true, -199: true, -200: false, 0: false, 113: false} {
		if got := (supply.ErrorEntry{Code: code}).CommandError(); got != want {
			t.Errorf("CommandError of %d = %t, want %t", code, got, want)
		}
	}
}

// What is read must be no more than what was said: known numbers print and read
// back the same, over range is never also known, and an error gives no values.
func FuzzParseAnswer(f *testing.F) {
	for _, s := range []string{"3.801;0.412", "+3.801E+00,4E-1", "9.91E37;9.9E37", "INF,NAN", "3.801", "", `-113,"Undefined header"`, "3.8V;1", ";;,,", "0x1p-2;1_0"} {
		f.Add(s, 0)
		f.Add(s, 1)
	}
	f.Fuzz(func(t *testing.T, line string, asked int) {
		a, err := supply.ParseAnswer(line, supply.Asked(asked))
		if err != nil {
			if a != (supply.Answer{}) {
				t.Fatalf("%q: values %+v beside error %v", line, a, err)
			}
			return
		}
		if a.Volts.Known() && a.VoltsOver || a.Amps.Known() && a.AmpsOver {
			t.Fatalf("%q: known and over range: %+v", line, a)
		}
		v, hasVolts := a.Volts.Get()
		c, hasAmps := a.Amps.Get()
		if !hasVolts || !hasAmps {
			return
		}
		said := fmt.Sprintf("%de-6;%de-6", int64(v), int64(c))
		if b, err := supply.ParseAnswer(said, supply.VoltsAndAmps); err != nil || b != a {
			t.Fatalf("%q reads as %+v, which as %q reads as %+v, %v", line, a, said, b, err)
		}
	})
}

// An entry that was read prints as one that reads the same.
func FuzzParseErrorEntry(f *testing.F) {
	for _, s := range []string{`0,"No error"`, `+0,No error`, `-113,"Undefined ""header"""`, `1,"` + strings.Repeat(`""`, 200) + `"`, "-1,a\xff\x00", "0,0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, line string) {
		e, err := supply.ParseErrorEntry(line)
		if err != nil {
			return
		}
		again, err := supply.ParseErrorEntry(e.String())
		if err != nil || again != e {
			t.Fatalf("%q reads as %v, which reads as %v, %v", line, e, again, err)
		}
		if len(e.Text) > 255 || strings.ContainsAny(e.Text, "\n\r\x00") {
			t.Fatalf("%q: description %q", line, e.Text)
		}
	})
}

func BenchmarkParseAnswer(b *testing.B) {
	for _, line := range []string{"3.801;0.412", "+3.80100000E+00;+4.12000000E-01"} {
		b.Run(line, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := supply.ParseAnswer(line, supply.VoltsAndAmps); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
