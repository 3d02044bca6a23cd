package roster

import (
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/google/go-cmp/cmp"
)

func TestParseSpan(t *testing.T) {
	for _, tt := range []struct {
		text, want, err string
	}{
		{"22:00-07:00", "22:00-07:00", ""},
		{"7:00-22:30", "07:00-22:30", ""},
		{"00:00-24:00", "00:00-24:00", ""},
		{"mon-wed 22:00-07:00", "mon,tue,wed 22:00-07:00", ""},
		{"fri-mon,wed 22:00-07:00", "fri,sat,sun,mon,wed 22:00-07:00", ""},
		{"sat,sun,sat 00:00-24:00", "sat,sun 00:00-24:00", ""},
		{"", "", `"": "" is not a time of day: want two of them as in 22:00-07:00`},
		{"22:00", "", `"22:00": "" is not a time of day: want two of them as in 22:00-07:00`},
		{"22-07", "", `"22-07": "22" is not a time of day: want two of them as in 22:00-07:00`},
		{"24:30-07:00", "", `"24:30-07:00": "24:30" is not a time of day: want two of them as in 22:00-07:00`},
		{"24:00-07:00", "", "24:00-07:00 begins at no time of a day: want 00:00 to 23:59"},
		{"07:00-07:00", "", "07:00-07:00 begins when it ends: a whole day is 00:00-24:00"},
		{"weekend 22:00-07:00", "", `"weekend 22:00-07:00": "weekend" are not days: want mon to sun, as in mon-fri or sat,sun`},
	} {
		s, err := ParseSpan(tt.text)
		if tt.err != "" {
			if err == nil || err.Error() != tt.err {
				t.Errorf("%q: %v, want %s", tt.text, err, tt.err)
			}
			continue
		}
		if err != nil || s.String() != tt.want {
			t.Errorf("%q: %v, %v", tt.text, s, err)
		}
	}
}

func FuzzParseSpan(f *testing.F) {
	f.Add("mon-fri 22:00-07:00")
	f.Add("sat,sun 00:00-24:00")
	f.Add("7:00-9:00")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := ParseSpan(text)
		if err != nil {
			return
		}
		again, err := ParseSpan(s.String())
		if d := cmp.Diff(s, again); err != nil || d != "" {
			t.Errorf("%q becomes %q: %v\n%s", text, s, err, d)
		}
	})
}

// TestAwake asks when somebody may be told. In Berlin the clocks went forward on
// 29 March 2026 at 02:00, and back on 25 October 2026 at 03:00.
func TestAwake(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	const form = "2006-01-02 15:04:05 -0700"
	for _, tt := range []struct {
		name  string
		spans []string
		asked string
		want  string
	}{
		{"before", []string{"22:00-07:00"}, "2026-03-09 21:59:59 +0100", "2026-03-09 21:59:59 +0100"},
		{"at the beginning", []string{"22:00-07:00"}, "2026-03-09 22:00:00 +0100", "2026-03-10 07:00:00 +0100"},
		{"after midnight", []string{"22:00-07:00"}, "2026-03-10 03:00:00 +0100", "2026-03-10 07:00:00 +0100"},
		{"at the end", []string{"22:00-07:00"}, "2026-03-10 07:00:00 +0100", "2026-03-10 07:00:00 +0100"},
		{"at midday", []string{"12:00-13:30"}, "2026-03-10 12:15:00 +0100", "2026-03-10 13:30:00 +0100"},
		{"Friday night, begun on a day that counts", []string{"mon-fri 22:00-07:00"}, "2026-03-14 03:00:00 +0100", "2026-03-14 07:00:00 +0100"},
		{"Saturday night", []string{"mon-fri 22:00-07:00"}, "2026-03-14 23:00:00 +0100", "2026-03-14 23:00:00 +0100"},
		{"Monday before dawn, begun on Sunday", []string{"mon-fri 22:00-07:00"}, "2026-03-16 03:00:00 +0100", "2026-03-16 03:00:00 +0100"},
		{"one after the other", []string{"22:00-07:00", "sat,sun 00:00-24:00"}, "2026-03-13 23:00:00 +0100", "2026-03-16 07:00:00 +0100"},
		{"spring: an hour less to sleep", []string{"22:00-07:00"}, "2026-03-28 22:00:00 +0100", "2026-03-29 07:00:00 +0200"},
		{"spring: after the step", []string{"22:00-07:00"}, "2026-03-29 03:00:00 +0200", "2026-03-29 07:00:00 +0200"},
		{"spring: whole day", []string{"sun 00:00-24:00"}, "2026-03-29 00:30:00 +0100", "2026-03-30 00:00:00 +0200"},
		{"autumn: an hour more", []string{"22:00-07:00"}, "2026-10-24 22:00:00 +0200", "2026-10-25 07:00:00 +0100"},
		{"autumn: the first half past two", []string{"22:00-07:00"}, "2026-10-25 02:30:00 +0200", "2026-10-25 07:00:00 +0100"},
		{"autumn: the second half past two", []string{"22:00-07:00"}, "2026-10-25 02:30:00 +0100", "2026-10-25 07:00:00 +0100"},
		{"autumn: the evening after", []string{"22:00-07:00"}, "2026-10-25 21:59:00 +0100", "2026-10-25 21:59:00 +0100"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			asked, err := time.Parse(form, tt.asked)
			if err != nil {
				t.Fatal(err)
			}
			var spans []Span
			for _, text := range tt.spans {
				s, err := ParseSpan(text)
				if err != nil {
					t.Fatal(err)
				}
				spans = append(spans, s)
			}
			got, ok := awake(spans, asked.In(berlin))
			if !ok || got.Format(form) != tt.want {
				t.Errorf("%v, %s, want %s", ok, got.Format(form), tt.want)
			}
		})
	}
}

// TestStepInsideAnEnd: hours that begin or end within the hour that is skipped or
// comes twice end within two hours of where people would look for it, and are
// never endless.
func TestStepInsideAnEnd(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, day := range []time.Time{time.Date(2026, 3, 29, 1, 0, 0, 0, berlin), time.Date(2026, 10, 25, 1, 0, 0, 0, berlin)} {
		for _, s := range []Span{{From: 23 * 60, To: 2*60 + 30}, {From: 2*60 + 30, To: 4 * 60}} {
			for d := time.Duration(0); d < 5*time.Hour; d += 10 * time.Minute {
				at := day.Add(d)
				got, ok := awake([]Span{s}, at)
				if !ok || got.Before(at) || got.Sub(at) > 4*time.Hour {
					t.Errorf("%v, %s: %v, %v", at, s, got, ok)
				}
			}
		}
	}
}
