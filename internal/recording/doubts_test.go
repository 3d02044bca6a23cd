package recording_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"

	"benchvigil/internal/bench"
	"benchvigil/internal/recording"
)

// readWarned reads all of a recording, and what it is warned of.
func readWarned(t testing.TB, r io.Reader) (all []bench.Observation, warned []string, err error) {
	t.Helper()
	d, err := recording.NewReader(r, "rec.jsonl")
	if err != nil {
		return nil, nil, err
	}
	defer d.Close()
	d.Warn = func(s string) { warned = append(warned, s) }
	for {
		o, err := d.Next()
		if errors.Is(err, io.EOF) {
			return all, warned, nil
		}
		if err != nil {
			return all, warned, err
		}
		all = append(all, o)
	}
}

// line is one observation of s1, so many tenths of a second after nine.
func line(tenths int, fact string) string {
	at := time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC).Add(time.Duration(tenths) * 100 * time.Millisecond)
	return fmt.Sprintf(`{"at":%q,"station":"s1",%s}`+"\n", at.Format(bench.TimeFormat), fact)
}

const ordinary = `"power":{"volts":3.8,"amps":0.4}`

// What this version does not know is refused, and what it knows is named.
func TestUnknownValues(t *testing.T) {
	for fact, want := range map[string]string{
		`"mark":{"kind":"halt"}`:                                        `rec.jsonl:2: mark.kind: "halt" is no mark: there are stop, `,
		`"mark":{"by":"kim","kind":"screen","text":"apple"}`:            `rec.jsonl:2: mark.text: "apple" is no screen: there are blank, logo`,
		`"mark":{"kind":"screen"}`:                                      `mark.text: "" is no screen`,
		`"mark":{"kind":"arm","text":"wait"}`:                           `mark.text: goal "wait": "wait" is no kind of goal: write stay`,
		`"power":{"amps":9.91E37}`:                                      "rec.jsonl:2: power.amps: 9.91E37: not a number in SCPI: write null",
		`"power":{"volts":-9.9E37}`:                                     "power.volts: -9.9E37: beyond the range in SCPI: write null",
		`"power":{"amps":1e30}`:                                         "power.amps: 1e30: number out of range (unreadable",
		`"power":{"amps":"0.4"}`:                                        `power.amps: "0.4": want a number, without quotes`,
		`"power":{"amps":"412 mA"}`:                                     `power.amps: "412 mA": want a number, without quotes or a unit`,
		`"mark":{"kind":"\u001b[31m` + strings.Repeat("x", 3000) + `"}`: `mark.kind: "\x1b[31mxxx`,
	} {
		_, _, err := readWarned(t, strings.NewReader(line(0, ordinary)+line(1, fact)))
		if !errors.Is(err, recording.ErrUnreadable) || !strings.Contains(err.Error(), want) || len(err.Error()) > 500 {
			t.Errorf("%.80s: %v, want %s", fact, err, want)
		}
	}
}

// A screen in other letters is the screen.
func TestScreenIsTidied(t *testing.T) {
	all, warned, err := readWarned(t, strings.NewReader(line(0, `"mark":{"by":"kim","kind":"screen","text":"Lock-Screen"}`)))
	if err != nil || warned != nil || all[0].Fact.(bench.Mark).Text != string(bench.ScreenLock) {
		t.Errorf("%+v, %q, %v", all, warned, err)
	}
}

// What is no recording at all is said to be none, and nothing of it reaches a
// terminal as it is.
func TestOtherFiles(t *testing.T) {
	utf16 := func(text string) string {
		var b strings.Builder
		for _, c := range []byte(text) {
			b.Write([]byte{c, 0})
		}
		return b.String()
	}
	for _, tc := range []struct{ name, in, want string }{
		{"csv", "time,volts,amps\n1,3.8,0.4\n", `rec.jsonl:1: "time,volts,amps": not a recording`},
		{"escapes", "\x1b]0;hi\a\x1b[31mred", `rec.jsonl:1: "\x1b]0;hi\a\x1b[31mred": not a recording`},
		{"binary", "\xaf\x84g\x00\x9b" + strings.Repeat("\xff", 5000), `rec.jsonl:1: "\xaf\x84g\x00\x9b\xff`},
		{"escapes in an object", `{"at":` + "\x1b[31m}", `rec.jsonl:1: {"at":\x1b[31m}: not JSON`},
		{"bytes in an object", `{"at":` + "\x9b\xff}", `rec.jsonl:1: {"at":\x9b\xff}: not JSON`},
		{"NUL", line(0, ordinary) + "\x00\x00\n", `rec.jsonl:2: "\x00\x00": not JSON: want one object a line`},
		{"escapes in a station", `{"at":"2026-03-02T21:14:05Z","station":"\u001b[2J","traffic":{"urbs":1}}`, `rec.jsonl:1: station: "\x1b[2J": want a name`},
		{"escapes in a header", `{"recording":1,"stations":{"\u001b[2J":{"power":"sun"}}}`, `rec.jsonl:1: stations.\x1b[2J.power: "sun"`},
		{"UTF-16", "\xff\xfe" + utf16(line(0, ordinary)), "rec.jsonl:1: text in UTF-16: save as UTF-8"},
		{"UTF-16 without a mark", utf16(line(0, ordinary)), "rec.jsonl:1: text in UTF-16: save as UTF-8"},
		{"gzip", "\x1f\x8b\x08\x00", "rec.jsonl:1: compressed by gzip"},
		{"zstd", "\x28\xb5\x2f\xfdgarbage", "rec.jsonl:1: not a whole zstd file"},
	} {
		_, _, err := readWarned(t, strings.NewReader(tc.in))
		if !errors.Is(err, recording.ErrUnreadable) || !strings.HasPrefix(err.Error(), tc.want) || len(err.Error()) > 500 {
			t.Errorf("%s: %v, want %s", tc.name, err, tc.want)
		}
	}
}

// A byte order mark is passed over, also in a compressed file.
func TestByteOrderMark(t *testing.T) {
	z, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	in := []byte("\xef\xbb\xbf" + `{"recording":1,"bench":"north"}` + "\r\n" + line(0, ordinary))
	for _, in := range [][]byte{in, z.EncodeAll(in, nil), []byte("\xef\xbb\xbf\r\n" + line(0, ordinary))} {
		all, warned, err := readWarned(t, bytes.NewReader(in))
		if len(all) != 1 || warned != nil || err != nil {
			t.Errorf("%d observations, %q, %v", len(all), warned, err)
		}
	}
}

// What can be read and looks like a mistake is warned of, once.
func TestDoubts(t *testing.T) {
	back, mixed, behind := "", "", ""
	for i := range 20 {
		back += line(20-i, ordinary)
		mixed += line((i*11)%20, ordinary)
		behind += line(i, ordinary)
	}
	late := line(0, ordinary) + line(3, ordinary) + line(2, `"traffic":{"urbs":1}`) + line(4, ordinary) + line(5, ordinary)
	for _, tc := range []struct{ name, in, want string }{
		{"ordinary", line(0, ordinary) + line(1, ordinary), ""},
		{"at the limits", line(0, `"power":{"volts":100,"amps":50}`) + line(1, `"power":{"volts":-0.1,"amps":-0.4}`), ""},
		{"mV", strings.Repeat(line(0, `"power":{"volts":3800,"amps":412}`), 3), "rec.jsonl:1: power.volts: s1 shows 3800.000 V: volts and amperes are expected; is this in mV?"},
		{"mA", line(0, ordinary) + line(1, `"power":{"amps":412}`), "rec.jsonl:2: power.amps: s1 shows 412.000 A: volts and amperes are expected; is this in mA?"},
		{"below zero", line(0, `"power":{"volts":-3.8,"amps":0.4}`), "rec.jsonl:1: power.volts: s1 shows -3.800 V: are the leads the wrong way round?"},
		{"jump", line(0, `"clock":{"change":"jump","by_s":60}`), ""},
		{"jump by what", strings.Repeat(line(0, `"clock":"jump"`), 2), "rec.jsonl:1: clock.by_s: is missing: the clock of s1 is taken to have been stepped by an unknown amount, in no time"},
		{"taken up", strings.Repeat(line(0, `"clock":{"change":"gap","for_s":5}`), 2), "rec.jsonl:1: clock: the recording of s1 begins where a watch was taken up again: what was remembered from before is not in it"},
		{"nothing", "", "rec.jsonl: there is no observation in it"},
		{"empty lines", "\n\n\n", "rec.jsonl: there is no observation in it"},
		{"a header alone", `{"recording":1}`, "rec.jsonl: there is no observation in it"},
		{"another station", `{"recording":1,"stations":{"s9":{"power":"battery"}}}` + "\n" + line(0, ordinary), "rec.jsonl: the header speaks of s9 only, the observations are of s1: how they are wired is guessed"},
		{"a station more", `{"recording":1,"stations":{"s9":{"power":"battery"},"s1":{"power":"supply"}}}` + "\n" + line(0, ordinary), ""},
		{"backwards", back, "rec.jsonl: time runs backwards in 19 of the 20 lines of s1: a recording begins with what was first, so sort the lines"},
		{"mixed up", mixed, "rec.jsonl: time runs backwards in 10 of the 20 lines of s1: a recording begins with what was first, so sort the lines"},
		{"delivered late", late, ""},
		{"one behind the other", behind + behind, ""},
	} {
		_, warned, err := readWarned(t, strings.NewReader(tc.in))
		if diff := cmp.Diff(tc.want, strings.Join(warned, "\n")); diff != "" || err != nil {
			t.Errorf("%s: %v (-want +got):\n%s", tc.name, err, diff)
		}
	}
}
