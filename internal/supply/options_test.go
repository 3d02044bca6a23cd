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
		{"unknown channel", func(o *supply.Options) { o.Channel = "left" }, `channel is "left"`},
		{"output through select", func(o *supply.Options) { o.Select = "OUTP OFF" }, "only INST:SEL NAME and INST:NSEL NUMBER"},
		{"volts through select", func(o *supply.Options) { o.Select = "INST:NSEL 2;:VOLT 5" }, "only INST:SEL NAME"},
		{"switching through select", func(o *supply.Options) { o.Select = "INST:STAT OFF" }, "only INST:SEL NAME"},
		{"two lines through select", func(o *supply.Options) { o.Select = "INST:NSEL 2\nOUTP OFF" }, "only INST:SEL NAME"},
		{"a query through select", func(o *supply.Options) { o.Select = "INST:NSEL?" }, "only INST:SEL NAME"},
		{"a command for the temperature", func(o *supply.Options) { o.TemperatureQuery = "TEMP" }, "temperature_query"},
		{"a pattern that is none", func(o *supply.Options) { o.Pattern = "(" }, `pattern "("`},
		{"a pattern and a query", func(o *supply.Options) { o.Pattern, o.OutputQuery = "(?P<amps>.)", "OUTP?" }, "exclude each other"},
		{"a supply's pattern without power", func(o *supply.Options) { o.Pattern = "(?P<celsius>.)" }, "no group tells volts or amps"},
		{"a thermometer without a pattern", func(o *supply.Options) { o.Channel = "thermometer" }, "needs a pattern"},
		{"a thermometer that tells volts", func(o *supply.Options) { o.Channel, o.Pattern = "thermometer", "(?P<celsius>.)(?P<volts>.)" }, "celsius and no other"},
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
			if err == nil || !strings.Contains(err.Error(), tc.want) || !strings.HasPrefix(err.Error(), "supply ") && !strings.HasPrefix(err.Error(), "thermometer ") {
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
		{Address: "serial:///dev/serial/by-id/usb-1209_PSU?baud=115200", TemperatureQuery: "MEAS:TEMP?"},
		{Address: "usbtmc://serial/PSU-1", Channel: "vbus", Select: "INST:NSEL 2"},
		{Address: "127.0.0.1", Select: ":INSTrument:SELect CH2"},
		{Address: "127.0.0.1", Select: "inst out_2"},
		{Address: "127.0.0.1:23", Pattern: "(?P<volts>[0-9.]+)V"},
		{Address: "serial:///dev/ttyACM0", Channel: "thermometer", Pattern: "(?P<celsius>[0-9.]+)"},
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
		"supply left (127.0.0.1:5025)":                    {Station: "s1", Name: "left", Address: "tcp://127.0.0.1"},
		"supply s1 (psu:9221)":                            {Station: "s1", Address: "psu:9221"},
		"vbus meter s1 (/dev/ttyACM0?baud=9600&bits=8N1)": {Station: "s1", Address: "serial:///dev/ttyACM0", Channel: "vbus"},
		"thermometer s1 (/dev/ttyACM1?baud=300&bits=7E1)": {Station: "s1", Address: "serial:///dev/ttyACM1?baud=300&bits=7E1", Channel: "thermometer", Pattern: "(?P<celsius>.)"},
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
