package supply_test

import (
	"strings"
	"testing"
	"time"

	"benchvigil/internal/supply"
)

func TestNewRefuses(t *testing.T) {
	ok := supply.Options{Station: "s1", Name: "left", Address: "127.0.0.1"}
	for _, tc := range []struct {
		name   string
		change func(*supply.Options)
		want   string
	}{
		{"no station", func(o *supply.Options) { o.Station = "" }, "station is missing"},
		{"no address", func(o *supply.Options) { o.Address = "" }, "the host is missing"},
		{"unknown transport", func(o *supply.Options) { o.Address = "gpib://7" }, "use tcp://host:port"},
		{"bad port", func(o *supply.Options) { o.Address = "psu:70000" }, `port "70000" is not a number from 1 to 65535`},
		{"too fast", func(o *supply.Options) { o.Every = 9 * time.Millisecond }, "every is 9ms, must be at least 10ms"},
		{"negative pace", func(o *supply.Options) { o.Every = -1 }, "every is -1ns"},
		{"no patience", func(o *supply.Options) { o.Timeout = time.Millisecond }, "timeout is 1ms, must be at least 10ms"},
		{"both kinds of queries", func(o *supply.Options) { o.Query, o.AmpsQuery = "MEAS:VOLT?;CURR?", "MEAS:CURR?" }, "exclude each other"},
		{"the wrong way round", func(o *supply.Options) { o.Query = "MEAS:CURR?;VOLT?" }, "must ask for volts before amps"},
		{"a command", func(o *supply.Options) { o.Query = "OUTP OFF" }, `"OUTP OFF" does not ask anything`},
		{"a command before a query", func(o *supply.Options) { o.AmpsQuery = "OUTP OFF;:MEAS:CURR?" }, `amps_query "OUTP OFF;:MEAS:CURR?": "OUTP OFF" does not ask anything`},
		{"a command with a question mark", func(o *supply.Options) { o.OutputQuery = "OUTP OFF?" }, "output_query"},
		{"two lines", func(o *supply.Options) { o.LimitQuery = "CURR?\nOUTP 0" }, "limit_query"},
		{"nothing between semicolons", func(o *supply.Options) { o.SetVoltsQuery = "VOLT?;" }, "set_volts_query"},
		{"too long", func(o *supply.Options) { o.Query = strings.Repeat("X", 255) + "?" }, "longer than 255 bytes"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			o := ok
			tc.change(&o)
			_, err := supply.New(o)
			if err == nil || !strings.Contains(err.Error(), tc.want) || !strings.HasPrefix(err.Error(), "supply ") {
				t.Errorf("New = %v, want an error about %q", err, tc.want)
			}
		})
	}
}

func TestNewAccepts(t *testing.T) {
	for _, o := range []supply.Options{
		{Address: "127.0.0.1"},
		{Address: "tcp://psu.local:9221", Query: "MEAS:ALL? CH1", Every: 10 * time.Millisecond},
		{Address: "127.0.0.1", VoltsQuery: "MEAS:VOLT? (@2)", AmpsQuery: ":MEASure:SCALar:CURRent:DC? (@2)"},
		{Address: "127.0.0.1", AmpsQuery: "MEAS:CURR?", OutputQuery: "OUTP?", SetVoltsQuery: "VOLT?", LimitQuery: "CURR?"},
	} {
		o.Station = "s1"
		if _, err := supply.New(o); err != nil {
			t.Errorf("New(%+v) = %v", o, err)
		}
	}
}

func TestString(t *testing.T) {
	for want, o := range map[string]supply.Options{
		"supply left (127.0.0.1:5025)": {Station: "s1", Name: "left", Address: "tcp://127.0.0.1"},
		"supply s1 (psu:9221)":         {Station: "s1", Address: "psu:9221"},
	} {
		p, err := supply.New(o)
		if err != nil {
			t.Fatal(err)
		}
		if p.String() != want {
			t.Errorf("String() = %q, want %q", p, want)
		}
	}
}
