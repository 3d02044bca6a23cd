package recording_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"
	"pgregory.net/rapid"

	"benchvigil/internal/bench"
	"benchvigil/internal/recording"
	"benchvigil/internal/unit"
)

var unexported = cmp.AllowUnexported(unit.Maybe[unit.Voltage]{}, unit.Maybe[unit.Current]{}, unit.Maybe[bool]{})

func readAll(t testing.TB, r io.Reader) ([]bench.Observation, *recording.Reader, error) {
	t.Helper()
	d, err := recording.NewReader(r, "rec.jsonl")
	if err != nil {
		return nil, nil, err
	}
	t.Cleanup(d.Close)
	var out []bench.Observation
	for {
		o, err := d.Next()
		if errors.Is(err, io.EOF) {
			return out, d, nil
		}
		if err != nil {
			return out, d, err
		}
		out = append(out, o)
	}
}

func at(s string) time.Time {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		panic(err)
	}
	return t
}

// The lines that the format's description gives as its example.
const example = `{"at":"2026-03-02T21:14:05.120Z","station":"s1","power":{"volts":3.801,"amps":0.412}}
{"at":"2026-03-02T21:14:05.300Z","station":"s1","usb":{"change":"add","port":"1-2","vendor":"1209","product":"0003","serial":"X1"}}
{"at":"2026-03-02T21:14:06.000Z","station":"s1","traffic":{"urbs":18231}}
{"at":"2026-03-02T21:14:09.300Z","station":"s1","mark":{"by":"kim","kind":"stop","text":"switched off to reseat"}}
{"at":"2026-03-02T21:14:09.410Z","station":"s1","usb":{"change":"remove","port":"1-2"}}
`

func TestExample(t *testing.T) {
	got, d, err := readAll(t, strings.NewReader(example))
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := d.Header(); ok {
		t.Error("a header was found where there is none")
	}
	want := []bench.Observation{
		{At: at("2026-03-02T21:14:05.12Z"), Station: "s1", Fact: bench.Power{Volts: unit.Some(unit.Voltage(3_801_000)), Amps: unit.Some(unit.Current(412_000))}},
		{At: at("2026-03-02T21:14:05.3Z"), Station: "s1", Fact: bench.USB{Change: bench.USBAdd, Port: "1-2", ID: bench.USBID{Vendor: 0x1209, Product: 3}, Serial: "X1"}},
		{At: at("2026-03-02T21:14:06Z"), Station: "s1", Fact: bench.Traffic{URBs: 18231}},
		{At: at("2026-03-02T21:14:09.3Z"), Station: "s1", Fact: bench.Mark{By: "kim", Kind: "stop", Text: "switched off to reseat"}},
		{At: at("2026-03-02T21:14:09.41Z"), Station: "s1", Fact: bench.USB{Change: bench.USBRemove, Port: "1-2"}},
	}
	if diff := cmp.Diff(want, got, unexported); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	var back strings.Builder
	for _, o := range got {
		b, err := recording.Encode(o)
		if err != nil {
			t.Fatal(err)
		}
		back.Write(append(b, '\n'))
	}
	if diff := cmp.Diff(example, back.String()); diff != "" {
		t.Errorf("written again (-want +got):\n%s", diff)
	}
}

func TestHandWrittenForms(t *testing.T) {
	for _, tc := range []struct {
		in   string
		want bench.Fact
	}{
		{`"supply":"lost"`, bench.Supply{Change: bench.Lost}},
		{`"supply":{"state":"back"}`, bench.Supply{Change: bench.Back}},
		{`"supply":{"error":"-113"}`, bench.Supply{Change: bench.Trouble, Error: "-113"}},
		{`"usb_source":{"change":"lost","error":"x"}`, bench.USBSource{Change: bench.Lost, Error: "x"}},
		{`"supply":{"state":"lost","channel":"vbus"}`, bench.Supply{Change: bench.Lost, Channel: bench.ChannelVBUS}},
		{`"temperature":{"celsius":31.25}`, bench.Temperature{Celsius: 31_250}},
		{`"temperature":{"celsius":0,"humidity":40}`, bench.Temperature{}},
		{`"clock":"end"`, bench.Clock{End: true}},
		{`"clock":{"end":true}`, bench.Clock{End: true}},
		{`"clock":{"change":"jump","by_s":-3600.5}`, bench.Clock{Jump: -3600500 * time.Millisecond}},
		{`"clock":{"jump_s":60}`, bench.Clock{Jump: time.Minute}},
		{`"clock":{"jump":-60}`, bench.Clock{Jump: -time.Minute}},
		{`"clock":{"change":"jump"}`, bench.Clock{}},
		{`"clock":{"change":"gap","for_s":12.5}`, bench.Clock{Gap: 12500 * time.Millisecond}},
		{`"clock":{"change":"gap","for_s":0.001,"rebooted":true}`, bench.Clock{Gap: time.Millisecond, Rebooted: true}},
		{`"usb":{"change":"add","vendor":"1209","product":"0003","number":7,"level":1}`, bench.USB{Change: bench.USBAdd, ID: bench.USBID{Vendor: 0x1209, Product: 3}, Number: 7}},
		{`"power":{"volts":null,"amps":4.12e-1,"output":false}`, bench.Power{Amps: unit.Some(unit.Current(412_000)), Output: unit.Some(false)}},
	} {
		got, _, err := readAll(t, strings.NewReader(`{"at":"2026-03-02T21:14:05Z","station":"s1",`+tc.in+"}\n"))
		if err != nil || len(got) != 1 {
			t.Errorf("%s: %v", tc.in, err)
			continue
		}
		if diff := cmp.Diff(tc.want, got[0].Fact, unexported); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tc.in, diff)
		}
	}
}

func TestTimesAreRounded(t *testing.T) {
	got, _, err := readAll(t, strings.NewReader(`{"at":"2026-03-02T22:14:05.1205+01:00","station":"s1","traffic":{"urbs":1}}`))
	if err != nil || !got[0].At.Equal(at("2026-03-02T21:14:05.121Z")) {
		t.Errorf("got %v, %v; want 21:14:05.121 UTC", got, err)
	}
}

// Everything that cannot be read names file, line and field.
func TestUnreadable(t *testing.T) {
	good := strings.SplitAfter(example, "\n")[0]
	for _, tc := range []struct{ name, in, want string }{
		{"not json", good + "power on\n", `rec.jsonl:2: "power on": not JSON`},
		{"garbage at the end", good + `{"at":"2026-03-02T21:14:05.220Z";"stat`, "rec.jsonl:2: {"},
		{"a last line that is whole, and wrong", good + `{"at":"2026-03-02T21:14:05.220Z"}`, "rec.jsonl:2: station: is missing"},
		{"torn in the middle", good + `{"at":"2026-03-02T21:14:05.220Z","stat` + "\n" + good, "rec.jsonl:2: {"},
		{"torn, with an end", good + `{"at":"2026-03-02T21:14:05.220Z","stat` + "\n", "rec.jsonl:2: {"},
		{"nothing but a torn line", `{"at":"2026-03-02T21:14:05.220Z","stat`, "rec.jsonl:1: {"},
		{"no time", `{"station":"s1","traffic":{"urbs":1}}`, `rec.jsonl:1: at: "" is not a time`},
		{"bad time", `{"at":"yesterday","station":"s1","traffic":{"urbs":1}}`, `at: "yesterday" is not a time`},
		{"no station", `{"at":"2026-03-02T21:14:05Z","traffic":{"urbs":1}}`, "station: is missing"},
		{"amps", `{"at":"2026-03-02T21:14:05Z","station":"s1","power":{"amps":"much"}}`, "rec.jsonl:1: power.amps: "},
		{"amps range", `{"at":"2026-03-02T21:14:05Z","station":"s1","power":{"amps":9.91e37}}`, "power.amps: 9.91e37: "},
		{"power list", `{"at":"2026-03-02T21:14:05Z","station":"s1","power":[1]}`, "power: [1]: want an object"},
		{"urbs", `{"at":"2026-03-02T21:14:05Z","station":"s1","traffic":{"urbs":-1}}`, "traffic.urbs: -1: want a whole number"},
		{"usb change", `{"at":"2026-03-02T21:14:05Z","station":"s1","usb":{"change":"plug"}}`, `usb.change: "plug": want add, remove or details`},
		{"vendor", `{"at":"2026-03-02T21:14:05Z","station":"s1","usb":{"change":"add","vendor":"0x12","product":"1"}}`, "usb.vendor: "},
		{"no degrees", `{"at":"2026-03-02T21:14:05Z","station":"s1","temperature":{}}`, "temperature.celsius: is missing"},
		{"degrees", `{"at":"2026-03-02T21:14:05Z","station":"s1","temperature":{"celsius":-300}}`, "temperature.celsius: -300: "},
		{"two facts", `{"at":"2026-03-02T21:14:05Z","station":"s1","traffic":{"urbs":1},"mark":{"kind":"stop"}}`, "2 observations in one line"},
		{"no fact", `{"at":"2026-03-02T21:14:05Z","station":"s1"}`, "0 observations in one line"},
		{"unknown fact", `{"at":"2026-03-02T21:14:05Z","station":"s1","powr":{"amps":1}}`, "0 observations in one line"},
		{"mark", `{"at":"2026-03-02T21:14:05Z","station":"s1","mark":{"by":"kim"}}`, "mark.kind: is missing"},
		{"goal", `{"at":"2026-03-02T21:14:05Z","station":"s1","mark":{"kind":"arm","text":"stay 3"}}`, `mark.text: goal "stay 3": 3 has no unit`},
		{"clock", `{"at":"2026-03-02T21:14:05Z","station":"s1","clock":{"change":"stop"}}`, "clock.change: "},
		{"gap", `{"at":"2026-03-02T21:14:05Z","station":"s1","clock":{"change":"gap"}}`, "clock.change: a gap of 0 s: want a number of seconds above 0"},
		{"long gap", `{"at":"2026-03-02T21:14:05Z","station":"s1","clock":{"change":"gap","for_s":1e300}}`, "clock.change: a gap of 1e+300 s"},
		{"device number", `{"at":"2026-03-02T21:14:05Z","station":"s1","usb":{"change":"add","vendor":"1209","product":"1","number":-1}}`, "usb.number: -1: want"},
		{"version", `{"recording":7}`, "rec.jsonl:1: recording: version 7 is not known"},
		{"header power", `{"recording":1,"stations":{"s1":{"power":"mains"}}}`, "stations.s1.power: "},
		{"long", `{"at":"` + strings.Repeat("x", 2<<20) + `"}`, "longer than"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, _, err := readAll(t, strings.NewReader(tc.in))
			if !errors.Is(err, recording.ErrUnreadable) || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got %v, want %q and ErrUnreadable", err, tc.want)
			}
		})
	}
}

// A daemon that was killed leaves half a line at the end.
func TestTornTail(t *testing.T) {
	for cut := 1; cut < len(strings.SplitAfter(example, "\n")[4])-1; cut++ {
		d, err := recording.NewReader(strings.NewReader(example[:len(example)-1-cut]), "rec.jsonl")
		if err != nil {
			t.Fatal(err)
		}
		var warned []string
		d.Warn = func(s string) { warned = append(warned, s) }
		n := 0
		for ; err == nil; n++ {
			_, err = d.Next()
		}
		if want := []string{"rec.jsonl:5: the last line is cut off, and passed over"}; n != 5 || !errors.Is(err, io.EOF) || !cmp.Equal(want, warned) {
			t.Fatalf("cut by %d: %d observations, %v, %q; want 4 and %q", cut, n-1, err, warned, want)
		}
		if _, err := d.Next(); !errors.Is(err, io.EOF) {
			t.Errorf("after the end: %v", err)
		}
		d.Close()
	}
}

func TestUnknownFieldsWarnOnce(t *testing.T) {
	in := strings.Repeat(`{"at":"2026-03-02T21:14:05Z","station":"s1","power":{"amps":1,"watts":3.8},"room":4}`+"\n", 3)
	d, err := recording.NewReader(strings.NewReader(in), "rec.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	var warnings []string
	d.Warn = func(s string) { warnings = append(warnings, s) }
	for range 3 {
		if _, err := d.Next(); err != nil {
			t.Fatal(err)
		}
	}
	if len(warnings) != 2 || !strings.Contains(strings.Join(warnings, "\n"), "rec.jsonl:1: power.watts: passed over") {
		t.Errorf("warnings %q, want one for power.watts and one for room", warnings)
	}
}

func TestCompressed(t *testing.T) {
	var b bytes.Buffer
	z, err := zstd.NewWriter(&b)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := z.Write([]byte(example)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	got, _, err := readAll(t, bytes.NewReader(b.Bytes()))
	if err != nil || len(got) != 5 {
		t.Errorf("%d observations, %v; want 5", len(got), err)
	}
	if _, _, err := readAll(t, bytes.NewReader(b.Bytes()[:b.Len()-20])); !errors.Is(err, recording.ErrUnreadable) {
		t.Errorf("cut off: %v, want ErrUnreadable", err)
	}
}

func TestSurvey(t *testing.T) {
	in := `{"recording":1,"stations":{"c":{"power":"supply","vbus":true,"usb":true}}}
{"at":"2026-03-02T21:14:05Z","station":"a","power":{"amps":1}}
{"at":"2026-03-02T21:14:05Z","station":"b","usb":{"change":"remove"}}
{"at":"2026-03-02T21:14:05Z","station":"c","mark":{"kind":"note"}}
{"at":"2026-03-02T21:14:05Z","station":"d","power":{"amps":1,"channel":"vbus"}}
`
	d, err := recording.NewReader(strings.NewReader(in), "rec.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	got, err := recording.Survey(d)
	want := map[string]bench.Hookup{
		"a": {Path: bench.FromSupply, USB: true},
		"b": {Path: bench.FromBattery, USB: true},
		"d": {Path: bench.FromBattery},
		"c": {Path: bench.FromSupply, VBUS: true, USB: true},
	}
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
}

func genFact(t *rapid.T) bench.Fact {
	text := rapid.StringN(0, 12, 40)
	sight := rapid.SampledFrom([]bench.Sight{bench.Lost, bench.Back, bench.Trouble})
	switch rapid.IntRange(0, 6).Draw(t, "fact") {
	case 0:
		p := bench.Power{Channel: text.Draw(t, "channel")}
		if rapid.Bool().Draw(t, "known") {
			p.Volts = unit.Some(unit.Voltage(rapid.Int64Range(-1e9, 1e9).Draw(t, "volts")))
			p.Amps = unit.Some(unit.Current(rapid.Int64Range(-1e9, 1e9).Draw(t, "amps")))
			p.Output = unit.Some(rapid.Bool().Draw(t, "output"))
		}
		return p
	case 1:
		return bench.USB{Change: bench.USBAdd, Port: text.Draw(t, "port"), ID: bench.USBID{Vendor: rapid.Uint16().Draw(t, "v"), Product: rapid.Uint16().Draw(t, "p")}, Serial: text.Draw(t, "serial"), Number: rapid.IntRange(0, 300).Draw(t, "number")}
	case 2:
		return bench.Traffic{URBs: rapid.Uint64().Draw(t, "urbs")}
	case 3:
		return bench.Mark{By: text.Draw(t, "by"), Kind: rapid.SampledFrom([]string{bench.MarkNote, bench.MarkStop, bench.MarkHandsOn}).Draw(t, "kind"), Text: text.Draw(t, "text"), For: time.Duration(rapid.Int64Range(0, 1e6).Draw(t, "for")) * time.Millisecond}
	case 4:
		return bench.Supply{Change: sight.Draw(t, "change"), Error: text.Draw(t, "error"), Channel: text.Draw(t, "channel")}
	case 5:
		return bench.USBSource{Change: sight.Draw(t, "change"), Error: text.Draw(t, "error")}
	}
	if rapid.Bool().Draw(t, "warmth") {
		return bench.Temperature{Celsius: unit.Temperature(rapid.Int64Range(-273_150, 1e6).Draw(t, "celsius"))}
	}
	if rapid.Bool().Draw(t, "gap") {
		return bench.Clock{Gap: time.Duration(rapid.Int64Range(1, 1e9).Draw(t, "gap")) * time.Millisecond, Rebooted: rapid.Bool().Draw(t, "rebooted")}
	}
	return bench.Clock{Jump: time.Duration(rapid.Int64Range(-1e9, 1e9).Draw(t, "jump")) * time.Millisecond}
}

// What is written reads back the same.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := bench.Observation{
			At:      time.UnixMilli(rapid.Int64Range(0, 4e12).Draw(t, "at")).UTC(),
			Station: "s" + rapid.StringOfN(rapid.RuneFrom(nil, unicode.L, unicode.N, unicode.Zs), 0, 8, 20).Draw(t, "station"), Fact: genFact(t),
		}
		var b bytes.Buffer
		w, err := recording.NewWriter(&b, recording.Header{Bench: "north"})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Write(o); err != nil {
			t.Fatal(err)
		}
		d, err := recording.NewReader(&b, "b")
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		got, err := d.Next()
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(o, got, unexported); diff != "" {
			t.Fatalf("(-written +read):\n%s", diff)
		}
	})
}

func FuzzLine(f *testing.F) {
	for l := range strings.SplitSeq(strings.TrimSpace(example), "\n") {
		f.Add([]byte(l))
	}
	f.Add([]byte(`{"recording":1,"stations":{"s1":{"power":"supply","vbus":false}}}`))
	f.Add([]byte(`{"at":"2026-03-02T21:14:05Z","station":"s1","clock":{"change":"jump","by_s":1e9}}`))
	f.Add([]byte(`{"at":"2026-03-02T21:14:05Z","station":"s1","temperature":{"celsius":31.25}}`))
	f.Add([]byte{0x28, 0xb5, 0x2f, 0xfd, 0x04, 0x00})
	f.Add([]byte("\x1b]0;hi\a\x1b[31mred"))
	f.Add([]byte("\xef\xbb\xbf{\"at\":\"2026-03-02T21:14:05Z\",\"station\":\"\u009b\",\"power\":{\"volts\":3800,\"\x7f\":\"\u202e\"}}"))
	f.Fuzz(func(t *testing.T, b []byte) {
		got, warned, err := readWarned(t, bytes.NewReader(b))
		if err != nil && !errors.Is(err, recording.ErrUnreadable) {
			t.Errorf("%q: %v is not ErrUnreadable", b, err)
		}
		for _, o := range got {
			if _, err := recording.Encode(o); err != nil {
				t.Errorf("%q was read as %+v, which cannot be written: %v", b, o, err)
			}
		}
		if err != nil {
			warned = append(warned, err.Error())
		}
		for _, text := range warned {
			if !utf8.ValidString(text) || strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsGraphic(r) }) || len(text) > 2000 {
				t.Errorf("%q: %q is not for a terminal", b, text)
			}
		}
	})
}

func BenchmarkNext(b *testing.B) {
	in := strings.Repeat(strings.SplitAfter(example, "\n")[0], 10_000)
	b.ReportAllocs()
	for b.Loop() {
		got, _, err := readAll(b, strings.NewReader(in))
		if err != nil || len(got) != 10_000 {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)*10_000/b.Elapsed().Seconds(), "lines/s")
}
