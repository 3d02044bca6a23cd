package unit_test

import (
	"encoding/json"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/unit"
)

func TestParseCelsius(t *testing.T) {
	for in, want := range map[string]unit.Temperature{
		"31.25":   31_250,
		"+21":     21_000,
		"-4.0005": -4_001,
		"2.13E+1": 21_300,
		"0.0004":  0,
		"-273.15": -273_150,
	} {
		if got, err := unit.ParseCelsius(in); err != nil || got != want {
			t.Errorf("ParseCelsius(%q) = %d, %v; want %d", in, int64(got), err, int64(want))
		}
	}
	for _, in := range []string{"", "warm", "31,2", "-273.16", "-300", "9.91E37", "31 C"} {
		if got, err := unit.ParseCelsius(in); err == nil {
			t.Errorf("ParseCelsius(%q) = %v, want an error", in, got)
		}
	}
}

func TestParseMilli(t *testing.T) {
	for in, want := range map[string]int64{"5021.4": 5_021_400, "-0.0005": -1, "412": 412_000, "4.12e2": 412_000, "0.0004": 0} {
		v, errV := unit.ParseMillivolts(in)
		c, errC := unit.ParseMilliamps(in)
		if errV != nil || errC != nil || int64(v) != want || int64(c) != want {
			t.Errorf("%q: %d, %v and %d, %v; want %d", in, int64(v), errV, int64(c), errC, want)
		}
	}
}

func TestTemperatureString(t *testing.T) {
	for in, want := range map[unit.Temperature]string{31_250: "31.3 °C", 21_000: "21.0 °C", -4_020: "-4.0 °C", 0: "0.0 °C"} {
		if got := in.String(); got != want {
			t.Errorf("String() of %d = %q, want %q", int64(in), got, want)
		}
	}
}

func TestTemperatureRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := unit.Temperature(rapid.Int64Range(-273_150, 2_000_000).Draw(t, "millidegrees"))
		b, err := json.Marshal(n)
		if err != nil {
			t.Fatal(err)
		}
		var back unit.Temperature
		if err := json.Unmarshal(b, &back); err != nil || back != n {
			t.Fatalf("%s reads back as %d, %v; want %d", b, int64(back), err, int64(n))
		}
	})
}
