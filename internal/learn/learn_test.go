package learn_test

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/learn"
	"benchvigil/internal/profile"
	"benchvigil/internal/sim"
	"benchvigil/internal/unit"
)

var start = time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)

const shipped = "../../configs/profiles/"

func load(t *testing.T, name string) *profile.Profile {
	t.Helper()
	p, err := profile.Load(os.DirFS(shipped), name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func handset(t *testing.T) *profile.Profile {
	t.Helper()
	return load(t, "invented-handset.yaml")
}

func parse(t *testing.T, text string) *profile.Profile {
	t.Helper()
	p, err := profile.Parse(strings.NewReader(text), "p.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func story(t *testing.T, name string) *sim.Scenario {
	t.Helper()
	sc, err := sim.ByName(name)
	if err != nil {
		t.Fatal(err)
	}
	return sc
}

func watch(sc *sim.Scenario) []bench.Observation {
	return sim.Observe(sc, "s1", "1-2", start, 100*time.Millisecond)
}

// follow gives observations to a Follower and returns the events.
func follow(l *learn.Learner, h bench.Hookup, seen []bench.Observation) (events []bench.Event) {
	f := l.Follow(infer.Station{ID: "s1", Hookup: h})
	for _, o := range seen {
		events = append(events, f.Step(o)...)
	}
	events = append(events, f.Tick(seen[len(seen)-1].At)...)
	f.Done()
	return events
}

func find(t *testing.T, found []learn.Finding, m bench.Mode, key string) learn.Finding {
	t.Helper()
	i := slices.IndexFunc(found, func(f learn.Finding) bool { return f.Mode == m && f.Key == key })
	if i < 0 {
		t.Fatalf("nothing said of %s %s", m, key)
	}
	return found[i]
}

// learned is the band that a finding would set.
func learned(t *testing.T, f learn.Finding) profile.Band {
	t.Helper()
	if len(f.To) != 2 {
		t.Fatalf("%s %s is left as it is: %s", f.Mode, f.Key, f.Why)
	}
	low, errLow := unit.ParseAmps(f.To[0])
	high, errHigh := unit.ParseAmps(f.To[1])
	if errLow != nil || errHigh != nil {
		t.Fatal(errLow, errHigh)
	}
	return profile.Band{Low: low, High: high}
}

// scripted are the readings of a story in a mode, more than 2 s from a change,
// by the story's own script.
func scripted(sc *sim.Scenario, m bench.Mode) (out []unit.Current) {
	for at := time.Duration(0); at < sc.Length(); at += 100 * time.Millisecond {
		mode, settled := bench.Unknown, true
		for _, e := range sc.Expect {
			if e.Type != bench.ModeChanged {
				continue
			}
			settled = settled && (e.At-at).Abs() >= 2*time.Second
			if e.At <= at {
				mode = e.To
			}
		}
		if r := sc.Read(at); mode == m && settled && !r.Silent {
			out = append(out, r.Amps)
		}
	}
	return out
}

// share is how many of the readings lie below a current.
func share(readings []unit.Current, below unit.Current) float64 {
	n := 0
	for _, r := range readings {
		if r < below {
			n++
		}
	}
	return float64(n) / float64(len(readings))
}

// Learning from a story recovers its levels: one reading in twenty lies below
// the band and one above, and a band narrower by 3 mA would hold less.
func TestRecoversTheStory(t *testing.T) {
	for _, tc := range []struct {
		story string
		mode  bench.Mode
	}{
		{"restore-completes", bench.Restoring},
		{"restore-completes", bench.Running},
		{"restore-drops", bench.Restoring},
		{"window-met", bench.Running},
		{"five-drops", bench.Starting},
		{"five-drops", bench.Running},
		{"silent-supply", bench.Running},
	} {
		t.Run(tc.story+" "+string(tc.mode), func(t *testing.T) {
			sc := story(t, tc.story)
			l := learn.New(handset(t))
			follow(l, sc.Hookup, watch(sc))
			b := learned(t, find(t, l.Findings(), tc.mode, profile.KeyAmps))
			truth := scripted(sc, tc.mode)
			if s := share(truth, b.Low); s > 0.05 {
				t.Errorf("%.3f of the readings lie below %v", s, b.Low)
			}
			if s := 1 - share(truth, b.High+1); s > 0.05 {
				t.Errorf("%.3f of the readings lie above %v", s, b.High)
			}
			const slack = 3 * unit.Milliampere
			if s := share(truth, b.Low+slack); s < 0.05 {
				t.Errorf("%v is too low: only %.3f of the readings lie below 3 mA more", b.Low, s)
			}
			if s := 1 - share(truth, b.High-slack); s < 0.05 {
				t.Errorf("%v is too high: only %.3f of the readings lie above 3 mA less", b.High, s)
			}
		})
	}
}

// all learns from all stories together.
func all(t *testing.T) []learn.Finding {
	t.Helper()
	l := learn.New(handset(t))
	for _, sc := range sim.Scenarios() {
		follow(l, sc.Hookup, watch(sc))
	}
	return l.Findings()
}

// What the stories say of the other values, by their scripts: twelve starts of
// up to 20 s, 300 URBs a second in a restore that is quiet now and then.
func TestStoriesTogether(t *testing.T) {
	var got []string
	for _, f := range all(t) {
		if f.Key != profile.KeyAmps && f.Key != profile.KeyWithVBUS {
			got = append(got, strings.TrimSpace(f.String()+" | "+f.Old+" | "+f.From+" | "+f.Why))
		}
	}
	want := []string{
		"starting dwell.typical: [] | 20s | 12 dwells | the same",
		"starting dwell.most: 30s | 1m | 12 dwells, up to 20s |",
		"recovery traffic: [] | - | 2 s | too little: 30 s are needed",
		"restoring gap: [] | 1m | 1 absence, up to 20s | too little: 5 absences are needed to lower it",
		"restoring traffic: [0, 300] | [5, 2000] | 591 s |",
		"restoring dwell.typical: [] | 12m | 1 dwell | too little: 5 dwells are needed",
		"restoring dwell.most: [] | 3h | 1 dwell, up to 4m55s | too little: 5 dwells are needed to lower it",
		"re-pairing dwell.typical: [] | 25m | 0 dwells | too little: 5 dwells are needed",
		"re-pairing dwell.most: [] | 2h | 0 dwells | too little: none was seen",
		"running traffic: [] | - | 1739 s | no band: 3 a second all the time",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// The profile with everything that was learned gives the scripted events.
func TestLearnedProfileStillHolds(t *testing.T) {
	src, err := os.ReadFile(shipped + "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	changes := learn.Changes(all(t))
	out, err := profile.Edit(src, "p.yaml", changes)
	if err != nil || len(changes) < 5 {
		t.Fatal(changes, err)
	}
	p := parse(t, string(out))
	for _, sc := range sim.Scenarios() {
		e := infer.New(p, infer.Station{ID: "s1", Hookup: sc.Hookup})
		var want, got []string
		for _, x := range sc.Expect {
			want = append(want, string(x.Type)+" "+string(x.To))
		}
		for _, o := range watch(sc) {
			for _, ev := range e.Step(o) {
				got = append(got, string(ev.Type)+" "+string(ev.Data.To))
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-script +got):\n%s", sc.Name, diff)
		}
	}
}

// What lies within 2 s of a mode change counts for nothing.
func TestNearChangesIsLeftOut(t *testing.T) {
	sc := story(t, "restore-completes")
	want := learn.New(handset(t))
	follow(want, sc.Hookup, watch(sc))
	seen := watch(sc)
	spoiled := 0
	for i, o := range seen {
		for _, e := range sc.Expect {
			near := o.At.Sub(start.Add(e.At))
			p, ok := o.Fact.(bench.Power)
			if ok && (e.To == bench.Restoring || e.To == bench.Running) && near > 300*time.Millisecond && near < 2*time.Second {
				p.Amps = unit.Some(1400 * unit.Milliampere)
				seen[i].Fact, spoiled = p, spoiled+1
			}
		}
	}
	got := learn.New(handset(t))
	follow(got, sc.Hookup, seen)
	if diff := cmp.Diff(want.Findings(), got.Findings()); diff != "" || spoiled < 20 {
		t.Errorf("%d readings spoiled (-want +got):\n%s", spoiled, diff)
	}
}

// Clock steps, told or not, change nothing.
func TestClockSteps(t *testing.T) {
	sc := story(t, "restore-completes")
	plain := learn.New(handset(t))
	follow(plain, sc.Hookup, watch(sc))
	for _, tc := range []struct {
		name string
		by   time.Duration
		told bool
	}{
		{"an hour forward, told", time.Hour, true},
		{"an hour back, told", -time.Hour, true},
		{"a minute back, not told", -time.Minute, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var seen []bench.Observation
			step := start.Add(150 * time.Second)
			for i, o := range watch(sc) {
				if o.At.After(step) {
					o.At = o.At.Add(tc.by)
				}
				if tc.told && i > 0 && len(seen) > 0 && o.At.Sub(seen[len(seen)-1].At).Abs() > 30*time.Minute {
					seen = append(seen, bench.Observation{At: o.At, Station: "s1", Fact: bench.Clock{Jump: tc.by}})
				}
				seen = append(seen, o)
			}
			l := learn.New(handset(t))
			follow(l, sc.Hookup, seen)
			// One that is not told costs the time up to the next observation,
			// which shows in the length of a dwell.
			rounded := cmpopts.IgnoreSliceElements(func(f learn.Finding) bool { return !tc.told && f.Key == profile.KeyMost })
			if diff := cmp.Diff(plain.Findings(), l.Findings(), rounded); diff != "" {
				t.Errorf("(-without +with):\n%s", diff)
			}
		})
	}
}

// With bus power on, what the supply shows goes into the other band.
func TestPowerPath(t *testing.T) {
	sc := story(t, "restore-completes")
	h := sc.Hookup
	h.VBUS = true
	l := learn.New(handset(t))
	follow(l, h, watch(sc))
	found := l.Findings()
	if f := find(t, found, bench.Restoring, profile.KeyAmps); len(f.To) != 0 || f.From != "0 s" {
		t.Errorf("amps became %v from %s", f.To, f.From)
	}
	if b := learned(t, find(t, found, bench.Restoring, profile.KeyWithVBUS)); b.Low < 400_000 || b.High > 1_250_000 {
		t.Errorf("amps_with_vbus became %v to %v", b.Low, b.High)
	}
	l = learn.New(handset(t))
	follow(l, bench.Hookup{Path: bench.FromBattery, USB: true}, watch(sc))
	if f := find(t, l.Findings(), bench.Running, profile.KeyAmps); f.From != "0 s" {
		t.Errorf("a board on its battery gave %s of readings", f.From)
	}
}
