package unit_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/unit"
)

func ExampleParseAmps() {
	c, _ := unit.ParseAmps("0.41205")
	fmt.Println(c, int64(c))
	// Output: 412 mA 412050
}

// Number forms: IEEE 488.2 sections 8.7.2 (NR1), 8.7.3 (NR2) and 8.7.4 (NR3,
// section number from memory); 146, +146, -12345, 12.3, +1.2345, -0.123, 273,
// 0.273 and 2.73E+2 are the examples that instrument makers' manuals print.
func TestParseAmps(t *testing.T) {
	for _, tc := range []struct {
		in   string
		want unit.Current
	}{
		{"146", 146_000_000},
		{"+146", 146_000_000},
		{"-12345", -12_345_000_000},
		{"12.3", 12_300_000},
		{"+1.2345", 1_234_500},
		{"-0.123", -123_000},
		{"273", 273_000_000},
		{"0.273", 273_000},
		{"2.73E+2", 273_000_000},
		{"4.12e-1", 412_000},
		{".5", 500_000},
		{"5.", 5_000_000},
		{"0.0000005", 1},
		{"0.00000049", 0},
		{"-0.0000005", -1},
		{"0.123456789", 123_457},
		{"1e-9", 0},
	} {
		got, err := unit.ParseAmps(tc.in)
		if err != nil || got != tc.want {
			t.Errorf("ParseAmps(%q) = %d, %v; want %d", tc.in, int64(got), err, int64(tc.want))
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, in := range []string{"", "+", "-", ".", "e5", "1e", "1e+", "0x10", "1/2", "1_000", "NaN", "INF", " 1", "1 ", "--1", "1.2.3", "1e1000", "9.91E37", "1e7"} {
		if got, err := unit.ParseVolts(in); err == nil {
			t.Errorf("ParseVolts(%q) = %v, want an error", in, got)
		}
	}
	if _, err := unit.ParseVolts("volt"); !errors.Is(err, unit.ErrNotNumber) {
		t.Errorf("ParseVolts(volt) = %v, want ErrNotNumber", err)
	}
}

func TestString(t *testing.T) {
	for _, tc := range []struct {
		in   fmt.Stringer
		want string
	}{
		{unit.Current(12_346), "12.35 mA"},
		{unit.Current(-800), "-0.80 mA"},
		{unit.Current(412_000), "412 mA"},
		{unit.Current(1_482_000), "1.482 A"},
		{3801 * unit.Millivolt, "3.801 V"},
	} {
		if got := tc.in.String(); got != tc.want {
			t.Errorf("String() = %q, want %q", got, tc.want)
		}
	}
}

// The fast path and the exact path must agree, and JSON must round-trip.
func TestParseAgreesWithRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Range(-2_000_000_000, 2_000_000_000).Draw(t, "micro")
		b, err := json.Marshal(unit.Current(n))
		if err != nil {
			t.Fatal(err)
		}
		r, ok := new(big.Rat).SetString(string(b))
		if !ok || r.Cmp(big.NewRat(n, 1_000_000)) != 0 {
			t.Fatalf("%d microamperes print as %s", n, b)
		}
		var back unit.Current
		if err := json.Unmarshal(b, &back); err != nil || int64(back) != n {
			t.Fatalf("%s reads back as %d, %v; want %d", b, int64(back), err, n)
		}
		exp, err := unit.ParseAmps(string(b) + "e0")
		if err != nil || int64(exp) != n {
			t.Fatalf("%se0 reads as %d, %v; want %d", b, int64(exp), err, n)
		}
	})
}

func TestMaybe(t *testing.T) {
	type reading struct {
		Amps  unit.Maybe[unit.Current] `json:"amps,omitzero"`
		Volts unit.Maybe[unit.Voltage] `json:"volts,omitzero"`
	}
	b, err := json.Marshal(reading{Amps: unit.Some(unit.Current(0))})
	if err != nil || string(b) != `{"amps":0}` {
		t.Fatalf("got %s, %v: a known zero must be written and an unknown left out", b, err)
	}
	var r reading
	if err := json.Unmarshal([]byte(`{"amps":null,"volts":3.8}`), &r); err != nil {
		t.Fatal(err)
	}
	if r.Amps.Known() || r.Volts.Or(0) != 3800*unit.Millivolt {
		t.Errorf("got %+v, want amps unknown and 3.8 V", r)
	}
}
