package bench_test

import (
	"strings"
	"testing"
	"time"

	"benchvigil/internal/bench"
)

func TestParseGoal(t *testing.T) {
	for text, want := range map[string]struct {
		goal bench.Goal
		text string
	}{
		"stay":                       {bench.Goal{Kind: bench.GoalStay}, "stay"},
		"stay 3h":                    {bench.Goal{Kind: bench.GoalStay, For: 3 * time.Hour}, "stay 3h"},
		"Stay  210s ":                {bench.Goal{Kind: bench.GoalStay, For: 210 * time.Second}, "stay 3m30s"},
		"stay 3 h":                   {bench.Goal{Kind: bench.GoalStay, For: 3 * time.Hour}, "stay 3h"},
		"stay 1 h 30 min":            {bench.Goal{Kind: bench.GoalStay, For: 90 * time.Minute}, "stay 1h30m"},
		"copy within 1h 30m":         {bench.Goal{Kind: bench.GoalCopy, Within: 90 * time.Minute}, "copy within 1h30m"},
		"stay 100h":                  {bench.Goal{Kind: bench.GoalStay, For: 100 * time.Hour}, "stay 100h"},
		"reach running within 2h":    {bench.Goal{Kind: bench.GoalReach, Mode: bench.Running, Within: 2 * time.Hour}, "reach running within 2h"},
		"reach re-pairing within 5m": {bench.Goal{Kind: bench.GoalReach, Mode: bench.RePairing, Within: 5 * time.Minute}, "reach re-pairing within 5m"},
		"copy":                       {bench.Goal{Kind: bench.GoalCopy}, "copy"},
		"copy within 5h30m":          {bench.Goal{Kind: bench.GoalCopy, Within: 330 * time.Minute}, "copy within 5h30m"},
		"re-pair":                    {bench.Goal{Kind: bench.GoalRePair}, "re-pair"},
		"re-pair within 90m":         {bench.Goal{Kind: bench.GoalRePair, Within: 90 * time.Minute}, "re-pair within 1h30m"},
	} {
		got, err := bench.ParseGoal(text)
		if err != nil || got != want.goal || got.String() != want.text {
			t.Errorf("ParseGoal(%q) = %+v (%s), %v; want %+v (%s)", text, got, got, err, want.goal, want.text)
		}
	}
}

// Every refusal says what is wrong and shows the forms.
func TestParseGoalRefuses(t *testing.T) {
	for text, says := range map[string]string{
		"":                         "no goal",
		"sleep 3h":                 `"sleep" is no kind of goal`,
		"stay 3 hens":              `"hens" does not belong there`,
		"stay h":                   `"h" is no length of time`,
		"stay 3":                   "3 has no unit: write 3m or 3h",
		"stay long":                `"long" is no length of time`,
		"stay 3h please":           `"please" does not belong there`,
		"stay 0s":                  "want 1s to 720h",
		"stay -3h":                 "want 1s to 720h",
		"stay 800h":                "want 1s to 720h",
		"reach":                    "which mode?",
		"reach off within 2h":      `"off" is no mode to reach`,
		"reach home within 2h":     `"home" is no mode to reach`,
		"reach running":            "how long may it take?",
		"reach running 2h":         `"2h" does not belong there`,
		"reach running within":     "within what time?",
		"re-pair within 90m or so": `"or so" does not belong there`,
		"copy 5h":                  `"5h" does not belong there`,
	} {
		got, err := bench.ParseGoal(text)
		switch {
		case err == nil:
			t.Errorf("ParseGoal(%q) = %+v, want an error", text, got)
		case !strings.Contains(err.Error(), says) || !strings.Contains(err.Error(), "write stay, stay 3h, reach running within 2h"):
			t.Errorf("ParseGoal(%q): %v\nwant it to say %q and the forms", text, err, says)
		}
	}
}

// What is read is printed so that it reads the same again.
func FuzzParseGoal(f *testing.F) {
	for _, seed := range []string{
		"stay", "stay 3h", "stay 1 h 30 min", "copy within 3 -1 s h", "stay 0.0015h", "reach running within 2h", "copy", "copy within 1m1.001s", "re-pair within 90m", "stay 1e3s", "within", "reach  \tloader within 1h1ns",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		g, err := bench.ParseGoal(text)
		if err != nil {
			if g != (bench.Goal{}) {
				t.Fatalf("%q is refused and gives %+v", text, g)
			}
			return
		}
		again, err := bench.ParseGoal(g.String())
		if err != nil || again != g {
			t.Fatalf("%q is %+v, printed as %q, which is %+v, %v", text, g, g, again, err)
		}
	})
}

func TestInWords(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Second: "0 s", 2500 * time.Millisecond: "2.5 s", 42 * time.Second: "42 s", time.Minute: "1 min",
		3*time.Minute + 5*time.Second: "3 min 05 s", 3 * time.Hour: "3 h", 2*time.Hour + 5*time.Minute + 59*time.Second: "2 h 05 min", 47 * time.Hour: "47 h", 50 * time.Hour: "2 days",
	} {
		if got := bench.InWords(d); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
}
