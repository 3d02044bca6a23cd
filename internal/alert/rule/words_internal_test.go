package rule

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

var update = flag.Bool("update", false, "rewrite testdata/words.txt")

var t0 = time.Date(2026, 3, 2, 14, 3, 12, 0, time.UTC)

// typical are facts as they usually are.
func typical(k bench.AlertKind) facts {
	return facts{
		kind: k, severity: severities[k], station: "s1", name: "Bench left", caseNo: "2417", since: t0, zone: time.UTC,
		mode: "running", uptime: unit.Some(178 * time.Second), window: unit.Some(210 * time.Second),
		amps: unit.Some(unit.Current(0)), before: unit.Some(412 * unit.Milliampere), event: "e1",
	}
}

type sample struct {
	name string
	f    facts
}

func with(name string, k bench.AlertKind, change func(*facts)) sample {
	f := typical(k)
	change(&f)
	return sample{name, f}
}

// bare takes away what an alert of the bench does not have.
func bare(f *facts) {
	f.station, f.name, f.caseNo, f.mode, f.event = "", "", "", "", ""
	f.uptime, f.window = unit.Maybe[time.Duration]{}, unit.Maybe[time.Duration]{}
	f.amps, f.before = unit.Maybe[unit.Current]{}, unit.Maybe[unit.Current]{}
}

func drop(how, goal string, why ...string) sample {
	return with("dropped "+how, bench.AlertDropped, func(f *facts) { f.how, f.goal, f.why = how, goal, why })
}

func unproven(name, goal string) sample {
	return with(name, bench.AlertDropped, func(f *facts) {
		f.how, f.goal, f.amps, f.before = bench.Unproven, goal, unit.Some(401*unit.Milliampere), unit.Maybe[unit.Current]{}
		f.why = evidenceFirst([]string{
			"not watched for 22.2 s while benchvigil was stopped", "the device has another number on the bus: it was enumerated again",
			"nothing shows that the run before went on",
		})
	})
}

func why(text ...string) func(*facts) { return func(f *facts) { f.why = text } }

func of(rule string, text string) func(*facts) {
	return func(f *facts) {
		bare(f)
		f.rule = rule
		if text != "" {
			f.why = []string{text}
		}
	}
}

// samples are one of each kind, and of what differs within a kind.
func samples() []sample {
	return []sample{
		drop("", "stay 3h", "0.00 mA for 0.2 s, the off band ends at 2.00 mA"),
		drop(bench.Died, "reach running within 2h", "0.00 mA for 0.2 s, the off band ends at 2.00 mA", "the supply held 3.800 V", "it stays off"),
		drop(bench.Reset, "", "in the off band for 0.2 s, which ends at 2.00 mA", "the supply held 3.800 V", "it came back by itself"),
		drop(bench.BrownOut, "", "the current fell together with the loss of USB", "the volts sagged to 2.900 V, where 3.800 V is usual"),
		drop(bench.LinkLost, "copy", "gone from USB for longer than 4.0 s, and there are no readings to ask"),
		with("dropped again", bench.AlertDropped, func(f *facts) {
			f.how, f.again, f.latest = bench.Reset, 3, t0.Add(21*time.Second)
			f.uptime, f.why = unit.Some(4*time.Second), []string{"in the off band for 0.2 s, which ends at 2.00 mA"}
		}),
		with("dropped unseen", bench.AlertDropped, func(f *facts) {
			f.how, f.unseen, f.until, f.goal = bench.Died, true, t0.Add(22*time.Second), "stay 3h"
			f.uptime = unit.Some(30 * time.Second)
			f.why = []string{"0.00 mA for 0.4 s, the off band ends at 2.00 mA", "not watched for 22.2 s while benchvigil was stopped", "it went down in that time, and was last seen up at its beginning"}
		}),
		with("dropped unseen, until unknown", bench.AlertDropped, func(f *facts) {
			f.how, f.unseen = bench.LinkLost, true
			f.why = []string{"gone from USB for longer than 4.0 s, and there are no readings to ask", "not watched for 22.2 s while benchvigil was stopped"}
		}),
		unproven("perhaps dropped", ""),
		unproven("perhaps dropped, a goal", "stay 3h"),
		with("dropped, a goal of unknown text", bench.AlertDropped, func(f *facts) { f.goal = goalWords("whatever") }),
		with("stalled", bench.AlertStalled, func(f *facts) {
			f.mode, f.goal, f.amps = "restoring", "reach running within 2h", unit.Some(398*unit.Milliampere)
			f.why = []string{"nothing moved for 2 min 31 s", "fewer than 5 transfers a second on the bus, 18231 in all"}
		}),
		with("high", bench.AlertHighAmps, func(f *facts) {
			f.how, f.amps, f.why = bench.OverLimit, unit.Some(1910*unit.Milliampere), []string{"1.910 A flows for 3 s, the limit in running is 1.800 A"}
		}),
		with("leak", bench.AlertHighAmps, func(f *facts) {
			f.how, f.mode, f.amps = bench.Leak, "standby", unit.Some(28*unit.Milliampere)
			f.why = []string{"28.00 mA flows in standby for 60 s, its band ends at 30.00 mA"}
		}),
		with("collapsed", bench.AlertCollapsed, why("the supply sits at its limit of 1.000 A", "the volts sagged to 3.100 V, where 3.800 V is usual")),
		with("drifting", bench.AlertDrifting, why("62.00 mA flows, its own level in asleep was 48.00 mA")),
		with("draw", bench.AlertDraw, func(f *facts) {
			f.rule, f.draw = "night-cap", &Draw{Name: "night-cap", Above: 1.2, For: 30 * time.Second}
			f.amps = unit.Some(1310 * unit.Milliampere)
		}),
		with("draw band", bench.AlertDraw, func(f *facts) {
			f.rule, f.draw = "idle", &Draw{Name: "idle", Above: 0.6, Below: 0.2}
		}),
		with("draw change", bench.AlertDraw, func(f *facts) {
			f.rule, f.draw = "jumps", &Draw{Name: "jumps", Change: 0.15, Within: time.Minute}
		}),
		with("draw after a restart", bench.AlertDraw, func(f *facts) { f.rule = "jumps" }),
		with("hung", bench.AlertStartHung, why("starting for longer than 1 min 0 s", "nothing has come up on USB")),
		with("at risk", bench.AlertAtRisk, func(f *facts) {
			f.odds = (&bench.OddsView{Lasted: 0, Of: 5, High: 0.451}).String()
		}),
		with("late", bench.AlertLate, func(f *facts) {
			f.goal, f.why = "reach running within 2h", []string{"not running within 2 h 0 min", "restoring for 1 h 40 min"}
		}),
		with("supply lost", bench.AlertSupplyLost, func(f *facts) {
			f.amps, f.why = unit.Maybe[unit.Current]{}, []string{"no good reading for 3.0 s", "the last one was 412 mA", "read tcp: i/o timeout"}
		}),
		with("window met", bench.AlertWindowMet, func(f *facts) {
			f.amps, f.before = unit.Some(401*unit.Milliampere), unit.Some(391*unit.Milliampere)
			f.why = []string{"401 mA flows", "1209:0004 on USB since 3 min 20 s"}
		}),
		with("goal reached", bench.AlertGoalDone, func(f *facts) { f.goal, f.why = "stay 3h", []string{"up for 3 h 0 min, 3 h 0 min were wanted"} }),
		with("regular", bench.AlertRegular, why("the last 3 runs dropped 2 min 56 s to 2 min 59 s after their start", "drops at random look like that once in 40000 times")),
		with("usb lost", bench.AlertUSBLost, of("", "netlink: no buffer space available")),
		with("hub lost", bench.AlertHubLost, func(f *facts) {
			of("1-2", "B1, B3")(f)
			f.others, f.ports, f.down, f.goals = []string{"s1", "s3"}, []string{"1-2.1.1", "1-2.1.3"}, 2, 1
		}),
		with("bus lost", bench.AlertHubLost, func(f *facts) {
			of("1", "B1, B3, B4")(f)
			f.others, f.ports, f.down = []string{"s1", "s3", "s4"}, []string{"1-2.1", "1-3.1", "1-3.2"}, 1
		}),
		with("power lost", bench.AlertPowerLost, func(f *facts) {
			of("192.0.2.7:5025", "B1, B2, B3, B4, B5, B6, B7, B8")(f)
			f.others, f.down, f.goals = []string{"s1", "s2", "s3", "s4", "s5", "s6", "s7", "s8"}, 8, 3
		}),
		with("power silent", bench.AlertPowerLost, func(f *facts) {
			of("dev-ttyUSB0", "B1, B2")(f)
			f.others, f.down, f.silent = []string{"s1", "s2"}, 2, true
		}),
		with("power lost, some silent", bench.AlertPowerLost, func(f *facts) {
			of("dev-serial-by-path-usb-0-1.2", "Left, port 1; B2; B3")(f)
			f.others, f.down, f.quiet, f.goals = []string{"s1", "s2", "s3"}, 3, 2, 1
		}),
		with("mains lost", bench.AlertPowerLost, func(f *facts) {
			of("", "B1, B2, B3")(f)
			f.others, f.down = []string{"s1", "s2", "s3"}, 3
		}),
		with("ledger", bench.AlertLedger, of("", "write ledger: no space left on device")),
		with("outlet", bench.AlertOutlet, of("night-desk", "webhook: 503 Service Unavailable, 6 tries")),
		with("outlet without a phone", bench.AlertOutlet, of("phones", "no phone of lee has subscribed")),
		with("configuration", bench.AlertConfig, of("", `stations: s2: profile: there is no profile "invented-handse"`)),
		with("unwatched", bench.AlertUnwatched, func(f *facts) {
			of("", "Right was running, up 6 min 22 s, to stay 3h; Left was asleep, up 12 s")(f)
			f.down = 8
			f.uptime, f.until = unit.Some(5*time.Minute), t0.Add(5*time.Minute)
		}),
		with("unwatched, until unknown", bench.AlertUnwatched, of("", "")),
		with("test", bench.AlertTest, of("", "somebody asked for it")),
	}
}

func TestWords(t *testing.T) {
	var b strings.Builder
	for _, s := range samples() {
		a := s.f.write()
		fmt.Fprintf(&b, "# %s (%s)\n%s\n%s\n", s.name, a.Severity, a.Title, a.Text)
		for _, w := range a.Why {
			fmt.Fprintf(&b, "  - %s\n", w)
		}
		fmt.Fprintf(&b, "  > %s\n\n", a.Do)
	}
	const file = "testdata/words.txt"
	if *update {
		if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	golden, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(golden), b.String()); d != "" {
		t.Errorf("(-%s +now):\n%s\nread it, then run with -update", file, d)
	}
}

// Every kind of the vocabulary has words, a severity and a sample.
func TestEveryKind(t *testing.T) {
	for k := range severities {
		if table[k] == nil {
			t.Errorf("%s has no words", k)
		}
		if !slices.ContainsFunc(samples(), func(s sample) bool { return s.f.kind == k }) {
			t.Errorf("%s has no sample", k)
		}
	}
	for k := range table {
		if _, ok := severities[k]; !ok && k != deviceGone {
			t.Errorf("%s has no severity", k)
		}
	}
}

// TestPieces looks for everything that has to stand on a lock screen.
func TestPieces(t *testing.T) {
	for _, s := range samples() {
		f := s.f
		a, w := f.write(), f.words()
		if a.Station != "" && !strings.HasPrefix(a.Title, "Bench left, case 2417: ") {
			t.Errorf("%s: title without station and case: %q", s.name, a.Title)
		}
		if a.Station == "" && !strings.HasPrefix(a.Title, "Bench: ") {
			t.Errorf("%s: whose? %q", s.name, a.Title)
		}
		if !strings.Contains(a.Title, " 14:03:12") || !strings.Contains(a.Title, w.what) {
			t.Errorf("%s: title without what or since when: %q", s.name, a.Title)
		}
		pieces := []string{sentence(w.stake), sentence(w.act)}
		if a.Station != "" {
			pieces = append(pieces, sentence(f.draws()))
		}
		if r := []rune(f.reason(w)); len(r) > 0 {
			pieces = append(pieces, sentence(string(r[:min(len(r), 17)]))[:min(len(r), 17)])
		}
		for _, p := range pieces {
			if !strings.Contains(a.Text, p) {
				t.Errorf("%s: text without %q: %q", s.name, p, a.Text)
			}
		}
		if len(a.Do) < 10 || w.act == "" || len(a.Why) == 0 && s.name != "draw after a restart" && len(f.why) > 0 {
			t.Errorf("%s: no act or no reason: %+v", s.name, a)
		}
		if utf8.RuneCountInString(w.stake) >= mostStake || utf8.RuneCountInString(w.act) >= mostAct {
			t.Errorf("%s: stake or act is cut: %q, %q", s.name, w.stake, w.act)
		}
	}
}

// No word is cut in its middle, unless it is the only one.
func TestClipBetweenWords(t *testing.T) {
	for _, tt := range []struct {
		text string
		most int
		want string
	}{
		{"all went down at once", 21, "all went down at once"},
		{"all went down at once", 20, "all went down at…"},
		{"all went down at once", 14, "all went down…"},
		{"all went down at once", 13, "all went…"},
		{"stays off: the supply", 12, "stays off…"},
		{"192.0.2.7:5025", 10, "192.0.2.7…"},
		{"all", 0, ""},
	} {
		if got := clip(tt.text, tt.most); got != tt.want {
			t.Errorf("clip(%q, %d) = %q, want %q", tt.text, tt.most, got, tt.want)
		}
	}
}

func TestShortened(t *testing.T) {
	for text, want := range map[string]string{
		"up for 3 h 0 min, 3 h 0 min were wanted": "up for 3 h, 3 h were wanted",
		"3 h 00 min": "3 h", "10 min 0 s": "10 min", "10 min 00 s": "10 min",
		"3 min 05 s": "3 min 05 s", "2 h 30 min": "2 h 30 min", "0 min": "0 min",
	} {
		if got := shortened(text); got != want {
			t.Errorf("shortened(%q) = %q, want %q", text, got, want)
		}
	}
}

// TestLimits writes alerts of the longest and strangest facts.
func TestLimits(t *testing.T) {
	kinds := make([]bench.AlertKind, 0, len(table)+1)
	for k := range table {
		kinds = append(kinds, k)
	}
	slices.Sort(kinds)
	kinds = append(kinds, "unheard-of")
	long := rapid.StringN(0, 300, -1)
	rapid.Check(t, func(rt *rapid.T) {
		f := facts{
			kind: rapid.SampledFrom(kinds).Draw(rt, "kind"), rule: long.Draw(rt, "rule"), zone: time.UTC, since: t0,
			station: long.Draw(rt, "station"), name: long.Draw(rt, "name"), caseNo: long.Draw(rt, "case"),
			how: rapid.SampledFrom([]string{"", bench.Died, bench.BrownOut, bench.Leak, bench.Unproven, "?"}).Draw(rt, "how"), mode: long.Draw(rt, "mode"),
			goal:   rapid.SampledFrom([]string{"", "stay 719h59m59s", "reach restoring within 719h59m59.999s"}).Draw(rt, "goal"),
			uptime: unit.Some(time.Duration(rapid.Int64().Draw(rt, "uptime"))), window: unit.Some(time.Duration(rapid.Int64().Draw(rt, "window"))),
			amps: unit.Some(unit.Current(rapid.Int64Range(-9e12, 9e12).Draw(rt, "amps"))), before: unit.Some(unit.Current(rapid.Int64Range(-9e12, 9e12).Draw(rt, "before"))),
			why: rapid.SliceOf(long).Draw(rt, "why"), again: rapid.IntRange(0, 1e6).Draw(rt, "again"),
			unseen: rapid.Bool().Draw(rt, "unseen"), others: rapid.SliceOfN(long, 1, 40).Draw(rt, "others"), ports: []string{"1-2.3", "1-2.3.4"}, down: 1, goals: 1,
		}
		a := f.write()
		if n := utf8.RuneCountInString(a.Title); n > mostTitle || n == 0 {
			rt.Errorf("title of %d characters: %q", n, a.Title)
		}
		if n := utf8.RuneCountInString(a.Text); n > mostText || n == 0 {
			rt.Errorf("text of %d characters: %q", n, a.Text)
		}
		if strings.ContainsAny(a.Title+a.Text, "\n\r\t") || len(a.Why) > mostWhys || a.Do == "" || !strings.Contains(a.Title, "14:03:12") {
			rt.Errorf("%+v", a)
		}
	})
}
