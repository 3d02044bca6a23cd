package roster_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"benchvigil/internal/alert/life"
	"benchvigil/internal/alert/roster"
	"benchvigil/internal/bench"
)

func zone(t *testing.T) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// evening is a Monday.
func evening(t *testing.T) time.Time {
	t.Helper()
	return time.Date(2026, 3, 9, 23, 0, 0, 0, zone(t))
}

func span(t *testing.T, text string) roster.Span {
	t.Helper()
	s, err := roster.ParseSpan(text)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// house has two people, Anna asleep at night, a wall lamp and a log.
func house(t *testing.T, change func(*roster.Options)) *roster.Roster {
	t.Helper()
	o := roster.Options{
		Bench: "bench", Zone: zone(t),
		Stations: []string{"left", "right"}, Outlets: []string{"phones", "mail", "lamp", "log"},
		People: []roster.Person{
			{Name: "Anna", Outlets: []string{"phones", "mail"}, Quiet: []roster.Span{span(t, "22:00-07:00")}},
			{Name: "Ben", Outlets: []string{"phones"}},
		},
		Rules:     []roster.Rule{{Tell: []string{"Anna"}, Then: [][]string{{"Ben"}}}},
		Everybody: []string{"log"},
	}
	if change != nil {
		change(&o)
	}
	r, err := roster.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func view(s bench.Severity, raised time.Time) *bench.AlertView {
	a := bench.Alert{Kind: bench.AlertStalled, Station: "left", Severity: s, Since: raised, Title: "left: stalled"}
	a.Key = a.Point().KeyAt(raised)
	return &bench.AlertView{Alert: a, State: bench.AlertUnacknowledged, Changed: raised, Raised: raised, Stands: true}
}

func news(s bench.Severity, raised time.Time) *bench.AlertView {
	v := view(s, raised)
	v.State, v.Stands, v.Passing, v.Returned = bench.AlertReturned, false, true, raised
	return v
}

// said are deliveries as "deed person@outlet".
func said(list []roster.Delivery) []string {
	var out []string
	for _, d := range list {
		s := fmt.Sprintf("%s %s@%s", d.Message.Deed, d.Message.To, d.Outlet)
		if d.Message.Nth > 0 {
			s += fmt.Sprint(" ", d.Message.Nth)
		}
		out = append(out, s)
	}
	return out
}

func expect(t *testing.T, got []roster.Delivery, want ...string) {
	t.Helper()
	if d := cmp.Diff(want, said(got), cmpopts.EquateEmpty()); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

func TestDangerIsToldAtOnce(t *testing.T) {
	r, at := house(t, nil), evening(t)
	v := view(bench.Danger, at)
	got := r.Due(v, bench.AlertWasRaised, at)
	expect(t, got, "raised @log", "raised Anna@phones", "raised Anna@mail")
	m := got[1].Message
	if want := fmt.Sprintf("left.stalled.%d/%d/raised/Anna/phones/0", at.UnixMilli(), at.UnixMilli()); m.Key != want {
		t.Errorf("key %s, want %s", m.Key, want)
	}
	if m.Bench != "bench" || !m.Made.Equal(at) || m.Alert.Key != v.Key || !got[1].Due.Equal(at) {
		t.Errorf("%+v", got[1])
	}
}

func TestCautionWaitsForTheMorning(t *testing.T) {
	r, at := house(t, nil), evening(t)
	morning := time.Date(2026, 3, 10, 7, 0, 0, 0, zone(t))
	v := view(bench.Caution, at)
	expect(t, r.Due(v, bench.AlertWasRaised, at), "raised @log")
	if next := r.Next(v, at); !next.Equal(morning) {
		t.Errorf("next at %v, want %v", next, morning)
	}
	expect(t, r.Later(v, morning.Add(-time.Second)), "raised @log")
	expect(t, r.Later(v, morning), "raised @log", "raised Anna@phones", "raised Anna@mail")
	if next := r.Next(v, morning); !next.IsZero() {
		t.Errorf("next at %v: a caution is not repeated", next)
	}

	// It returned in the night: Anna hears neither of it nor of its end.
	v.State, v.Stands, v.Changed, v.Returned = bench.AlertReturned, false, at.Add(time.Hour), at.Add(time.Hour)
	expect(t, r.Later(v, morning))
	expect(t, r.Due(v, bench.AlertHasReturned, v.Changed), "returned @log")
	// It returned in the day, after she was told.
	v.Changed, v.Returned = morning.Add(time.Hour), morning.Add(time.Hour)
	expect(t, r.Due(v, bench.AlertHasReturned, v.Changed), "returned @log", "returned Anna@phones", "returned Anna@mail")
}

func TestOldNewsIsNotToldInTheMorning(t *testing.T) {
	morning := time.Date(2026, 3, 10, 7, 0, 0, 0, zone(t))
	for _, tt := range []struct {
		name  string
		view  *bench.AlertView
		fresh time.Duration
		want  []string
	}{
		{"fresh notice", news(bench.Notice, evening(t)), 0, []string{"raised @log", "raised Anna@phones", "raised Anna@mail"}},
		{"old notice", news(bench.Notice, evening(t)), 7 * time.Hour, nil},
		{"old news of a caution", news(bench.Caution, evening(t)), 7 * time.Hour, nil},
		{"caution that stands", view(bench.Caution, evening(t)), 7 * time.Hour, []string{"raised @log", "raised Anna@phones", "raised Anna@mail"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := house(t, func(o *roster.Options) { o.Fresh = tt.fresh })
			expect(t, r.Later(tt.view, morning), tt.want...)
		})
	}
}

// TestDeadNight follows a danger that nobody hears.
func TestDeadNight(t *testing.T) {
	for _, v := range []*bench.AlertView{view(bench.Danger, evening(t)), news(bench.Danger, evening(t))} {
		r := house(t, nil)
		var got []string
		keys := map[string]bool{}
		for now := v.Raised; now.Before(v.Raised.Add(24 * time.Hour)); now = now.Add(time.Minute) {
			for _, d := range r.Later(v, now) {
				if !keys[d.Message.Key] {
					keys[d.Message.Key] = true
					if !d.Due.Equal(now) {
						t.Errorf("%s is due at %v, and came at %v", d.Message.Key, d.Due, now)
					}
					if d.Outlet == "phones" {
						got = append(got, fmt.Sprint(now.Sub(v.Raised).Minutes(), " ", said([]roster.Delivery{d})[0]))
					}
				}
			}
		}
		want := []string{
			"0 raised Anna@phones", "5 repeated Anna@phones 1", "10 repeated Anna@phones 2", "10 escalated Ben@phones",
			"15 repeated Anna@phones 3", "15 repeated Ben@phones 1", "20 repeated Ben@phones 2",
			"25 repeated Anna@phones 4", "25 repeated Ben@phones 3", "35 repeated Ben@phones 4",
			"45 repeated Anna@phones 5", "55 repeated Ben@phones 5", "85 repeated Anna@phones 6", "95 repeated Ben@phones 6",
			"145 repeated Anna@phones 7", "155 repeated Ben@phones 7", "205 repeated Anna@phones 8", "215 repeated Ben@phones 8",
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("passing %v: (-want +got)\n%s", v.Passing, d)
		}
	}
}

func TestNeverRepeated(t *testing.T) {
	r := house(t, func(o *roster.Options) { o.Repeat = -1 })
	v := view(bench.Danger, evening(t))
	expect(t, r.Later(v, v.Raised.Add(time.Hour)), "raised @log", "raised Anna@phones", "raised Anna@mail", "escalated Ben@phones")
}

func TestWhatIsSeenToDoesNotRing(t *testing.T) {
	r, at := house(t, nil), evening(t)
	for _, s := range []bench.AlertState{bench.AlertNormal, bench.AlertAcknowledged, bench.AlertReturned, bench.AlertShelved, bench.AlertSuppressed, bench.AlertOutOfService} {
		v := view(bench.Danger, at)
		v.State = s
		if got := r.Later(v, at.Add(time.Hour)); got != nil || !r.Next(v, at).IsZero() {
			t.Errorf("%s: %v, next %v", s, said(got), r.Next(v, at))
		}
		if got := r.Due(v, bench.AlertWasRaised, at); got != nil {
			t.Errorf("%s: %v", s, said(got))
		}
	}
}

// TestTaken goes to those who were told before, not to who would have been next.
func TestTaken(t *testing.T) {
	for _, tt := range []struct {
		after time.Duration
		want  []string
	}{
		{9 * time.Minute, []string{"taken @log", "taken Anna@phones", "taken Anna@mail"}},
		{10 * time.Minute, []string{"taken @log", "taken Anna@phones", "taken Anna@mail", "taken Ben@phones"}},
	} {
		r, v := house(t, nil), view(bench.Danger, evening(t))
		v.State, v.Changed, v.By = bench.AlertAcknowledged, v.Raised.Add(tt.after), "Anna"
		v.Acked = v.Changed
		got := r.Due(v, bench.AlertWasAcknowledged, v.Changed)
		expect(t, got, tt.want...)
		for _, d := range got {
			if !d.Message.Quiet() {
				t.Errorf("%s rings", d.Message.Key)
			}
		}
		// Its end is told to the same, however late it comes.
		v.State, v.Stands, v.Changed = bench.AlertNormal, false, v.Raised.Add(time.Hour)
		v.Returned = v.Changed
		var want []string
		for _, s := range tt.want {
			want = append(want, strings.Replace(s, "taken", "returned", 1))
		}
		expect(t, r.Due(v, bench.AlertHasReturned, v.Changed), want...)
	}
}

func TestHeldBackIsNotTaken(t *testing.T) {
	r, v := house(t, nil), view(bench.Danger, evening(t))
	v.State, v.Raised = bench.AlertOutOfService, time.Time{}
	expect(t, r.Due(v, bench.AlertWasTakenOut, v.Changed))
	expect(t, r.Due(v, bench.AlertHasReturned, v.Changed))
	v = view(bench.Danger, evening(t))
	v.State, v.Changed = bench.AlertSuppressed, v.Raised.Add(time.Minute)
	expect(t, r.Due(v, bench.AlertWasSuppressed, v.Changed))
}

func TestClosedByTimeIsNotToldAgain(t *testing.T) {
	r, v := house(t, nil), view(bench.Caution, evening(t))
	v.State, v.Stands, v.Returned, v.Changed = bench.AlertNormal, false, v.Raised.Add(time.Hour), v.Raised.Add(25*time.Hour)
	expect(t, r.Due(v, bench.AlertHasReturned, v.Changed))
}

func TestChanged(t *testing.T) {
	r, v := house(t, nil), view(bench.Danger, evening(t))
	now := v.Raised.Add(time.Minute)
	first := r.Due(v, bench.AlertWasChanged, now)
	expect(t, first, "changed @log", "changed Anna@phones", "changed Anna@mail")
	again := r.Due(v, bench.AlertWasChanged, now.Add(time.Minute))
	v.Text = "0.412 A"
	other := r.Due(v, bench.AlertWasChanged, now.Add(time.Minute))
	if first[0].Message.Key != again[0].Message.Key || first[0].Message.Key == other[0].Message.Key {
		t.Errorf("the same lines have to be one message, others another: %s, %s, %s", first[0].Message.Key, again[0].Message.Key, other[0].Message.Key)
	}
	v.State = bench.AlertShelved
	expect(t, r.Due(v, bench.AlertWasChanged, now))
}

// TestShelvedComesBack tells again, with other keys, through the book itself.
func TestShelvedComesBack(t *testing.T) {
	r, at := house(t, nil), evening(t)
	b := life.New()
	keys := map[string]bool{}
	rings := func(events []bench.Event) (n int) {
		for _, e := range events {
			for _, d := range r.Due(e.Data.Alert, e.Type, e.Time) {
				if !d.Message.Quiet() && !keys[d.Message.Key] {
					n++
				}
				keys[d.Message.Key] = true
			}
		}
		return n
	}
	a := view(bench.Danger, at).Alert
	if n := rings(b.Raise(a, at)); n != 3 {
		t.Errorf("raised: %d messages", n)
	}
	events, err := b.Act(bench.AlertAct{Do: bench.DeedShelve, Key: a.Key}, at.Add(time.Minute))
	if n := rings(events); err != nil || n != 0 {
		t.Errorf("shelved: %d messages, %v", n, err)
	}
	if n := rings(b.Tick(at.Add(time.Hour))); n != 3 {
		t.Errorf("back from the shelf: %d messages", n)
	}
}

func TestRulesFit(t *testing.T) {
	at := evening(t)
	rules := func(rules ...roster.Rule) func(*roster.Options) {
		return func(o *roster.Options) { o.Rules, o.Everybody = rules, nil }
	}
	hub := view(bench.Danger, at)
	hub.Station, hub.Others = "", []string{"left", "right"}
	bare := view(bench.Danger, at)
	bare.Station = ""
	for _, tt := range []struct {
		name  string
		rules func(*roster.Options)
		view  *bench.AlertView
		want  []string
	}{
		{"two rules, one person", rules(roster.Rule{Tell: []string{"Ben"}}, roster.Rule{Kinds: []bench.AlertKind{bench.AlertStalled}, Tell: []string{"Ben"}}), view(bench.Danger, at), []string{"raised Ben@phones"}},
		{"the outlet as a whole covers who has it", rules(roster.Rule{Tell: []string{"Ben"}}, roster.Rule{Tell: []string{"phones"}}), view(bench.Danger, at), []string{"raised @phones"}},
		{"another station", rules(roster.Rule{Stations: []string{"right"}, Tell: []string{"Ben"}}, roster.Rule{Tell: []string{"lamp"}}), view(bench.Danger, at), []string{"raised @lamp"}},
		{"a station taken along", rules(roster.Rule{Stations: []string{"right"}, Tell: []string{"Ben"}}, roster.Rule{Tell: []string{"lamp"}}), hub, []string{"raised @lamp", "raised Ben@phones"}},
		{"the bench", rules(roster.Rule{Stations: []string{"bench"}, Tell: []string{"lamp"}}), bare, []string{"raised @lamp"}},
		{"another severity", rules(roster.Rule{Severities: []bench.Severity{bench.Notice}, Tell: []string{"Ben"}}, roster.Rule{Tell: []string{"lamp"}}), view(bench.Danger, at), []string{"raised @lamp"}},
		{"no rule fits: everybody", rules(roster.Rule{Kinds: []bench.AlertKind{bench.AlertLedger}, Tell: []string{"Ben"}}), view(bench.Danger, at), []string{"raised @lamp", "raised @log", "raised Anna@phones", "raised Anna@mail", "raised Ben@phones"}},
		{"no rule at all", rules(), view(bench.Danger, at), []string{"raised @lamp", "raised @log", "raised Anna@phones", "raised Anna@mail", "raised Ben@phones"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			expect(t, house(t, tt.rules).Due(tt.view, bench.AlertWasRaised, at), tt.want...)
		})
	}
}

func TestEscalationReachesEachOnce(t *testing.T) {
	r := house(t, func(o *roster.Options) {
		o.Rules[0].Then = [][]string{{"Anna", "Ben"}, {"lamp", "Ben"}}
		o.Repeat = -1
	})
	v := view(bench.Danger, evening(t))
	expect(t, r.Later(v, v.Raised.Add(20*time.Minute)),
		"raised @log", "raised Anna@phones", "raised Anna@mail", "escalated Ben@phones", "escalated @lamp")
	v.Severity = bench.Caution
	expect(t, r.Later(v, v.Raised.Add(12*time.Hour)), "raised @log", "raised Anna@phones", "raised Anna@mail")
}

func TestCheck(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(*roster.Options)
		want   []string
	}{
		{"all is told", nil, nil},
		{"no rule", func(o *roster.Options) { o.Rules, o.Everybody, o.Stations = nil, nil, nil }, []string{
			"bench, danger: no rule names anybody; everybody is told",
			"bench, caution: no rule names anybody; everybody is told",
			"bench, notice: no rule names anybody; everybody is told",
		}},
		{"some", func(o *roster.Options) {
			o.Everybody, o.Stations = nil, []string{"left"}
			o.Rules = []roster.Rule{
				{Severities: []bench.Severity{bench.Danger}, Tell: []string{"Ben"}},
				{Stations: []string{"left"}, Severities: []bench.Severity{bench.Caution}, Tell: []string{"Ben"}},
				{Severities: []bench.Severity{bench.Notice}, Kinds: []bench.AlertKind{bench.AlertGoalDone}, Tell: []string{"Ben"}},
			}
		}, []string{
			"station left, notice (other kinds): no rule names anybody; everybody is told",
			"bench, caution: no rule names anybody; everybody is told",
			"bench, notice (other kinds): no rule names anybody; everybody is told",
		}},
		{"nobody there", func(o *roster.Options) { *o = roster.Options{} }, []string{
			"bench, danger: no rule names anybody; there is nobody to tell",
			"bench, caution: no rule names anybody; there is nobody to tell",
			"bench, notice: no rule names anybody; there is nobody to tell",
		}},
		{"always asleep", func(o *roster.Options) {
			o.People[0].Quiet = []roster.Span{span(t, "00:00-12:00"), span(t, "12:00-24:00")}
		}, []string{"Anna: the quiet hours never end: only dangers are told"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if d := cmp.Diff(tt.want, house(t, tt.change).Check()); d != "" {
				t.Errorf("(-want +got)\n%s", d)
			}
		})
	}
}

func TestRefused(t *testing.T) {
	_, err := roster.New(roster.Options{
		Stations: []string{"left"}, Outlets: []string{"phones", "mail"},
		People: []roster.Person{
			{Name: "Anna", Outlets: []string{"fax"}, Quiet: []roster.Span{{From: 60, To: 60}}},
			{Name: "Anna", Outlets: []string{"mail"}},
			{Outlets: []string{"mail"}},
			{Name: "mail"},
		},
		Rules: []roster.Rule{
			{},
			{Tell: []string{"Cleo"}, Then: [][]string{{"Dora"}}, Severities: []bench.Severity{"bad"}, Stations: []string{"right"}},
		},
		Everybody: []string{"siren"}, Quiet: []roster.Span{{From: 1441, To: 2}},
		Repeat: time.Second, Escalate: -1, Fresh: -1, Times: 101,
	})
	if err == nil {
		t.Fatal("all that is taken")
	}
	want := []string{
		"repeat 1s: want at least 1m0s",
		"escalate -1ns: want at least 1m0s",
		"fresh -1ns: want a time",
		"101 repeats: want 1 to 100",
		"quiet: 24:01-00:02 begins at no time of a day: want 00:00 to 23:59",
		`person "Anna": there is no outlet "fax": want one of phones, mail`,
		`person "Anna": quiet: 01:00-01:00 begins when it ends: a whole day is 00:00-24:00`,
		`person "Anna" is there twice`,
		"person 3 has no name",
		`person "mail" is the name of an outlet too: give one of them another`,
		`person "mail" has no outlet, and can be told nothing: want one of phones, mail`,
		`everybody: "siren" is neither a person nor an outlet: there are phones, mail, Anna, Anna, , mail`,
		"rule 1 tells nobody: name people or outlets",
		`rule 2: "Cleo" is neither a person nor an outlet: there are phones, mail, Anna, Anna, , mail`,
		`rule 2, then: "Dora" is neither a person nor an outlet: there are phones, mail, Anna, Anna, , mail`,
		`rule 2: "bad" is no severity: want danger, caution or notice`,
		`rule 2: there is no station "right": want bench, or left`,
	}
	if d := cmp.Diff(want, strings.Split(err.Error(), "\n")); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

// TestBeforeTheEvent: what is told bears the time of the event, which may be a
// moment after what it was made of.
func TestBeforeTheEvent(t *testing.T) {
	r, v := house(t, nil), view(bench.Danger, evening(t))
	if got := r.Due(v, bench.AlertWasRaised, v.Raised.Add(-time.Millisecond)); len(got) != 3 {
		t.Errorf("%v", said(got))
	}
}

func TestNoKeyTwice(t *testing.T) {
	r, v := house(t, nil), view(bench.Danger, evening(t))
	var keys []string
	for _, d := range r.Later(v, v.Raised.Add(10*time.Minute)) {
		keys = append(keys, d.Message.Key)
	}
	slices.Sort(keys)
	if n := len(slices.Compact(slices.Clone(keys))); n != len(keys) {
		t.Errorf("%d of %d", n, len(keys))
	}
}
