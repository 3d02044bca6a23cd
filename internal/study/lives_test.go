package study

import (
	"encoding/json"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// life is one told story, kept.
type life struct {
	name string
	p    *profile.Profile
	st   infer.Station
	obs  []bench.Observation
}

// lives are the first minutes of a job of every scenario.
func lives(t *testing.T) (out []life) {
	t.Helper()
	families, err := profiles()
	if err != nil {
		t.Fatal(err)
	}
	for i := range scenarios {
		j := job{&scenarios[i], Tune, 77, minute}
		l := life{name: j.sc.name, p: families[j.sc.profile], st: infer.Station{ID: Station}}
		j.tell(func(h bench.Hookup) { l.st.Hookup = h }, func(o bench.Observation) { l.obs = append(l.obs, o) })
		l.obs = slices.Concat(l.obs[:min(len(l.obs)-1, 3_000)], l.obs[len(l.obs)-1:])
		out = append(out, l)
	}
	return out
}

func (l *life) events(obs []bench.Observation) (out []bench.Event) {
	e := infer.New(l.p, l.st)
	for _, o := range obs {
		out = append(out, e.Step(o)...)
	}
	return out
}

var maybes = cmp.AllowUnexported(unit.Maybe[time.Duration]{})

func each(t *testing.T, check func(t *testing.T, l *life, rng *rand.Rand, want []bench.Event)) {
	for _, l := range lives(t) {
		t.Run(l.name, func(t *testing.T) {
			want := l.events(l.obs)
			if len(want) == 0 {
				t.Fatal("no events: this proves nothing")
			}
			check(t, &l, rand.New(rand.NewPCG(1, 2)), want)
		})
	}
}

func same(t *testing.T, want, got []bench.Event) {
	t.Helper()
	if diff := cmp.Diff(want, got, maybes); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Whole lives, saved and taken up again through JSON now and then, give the
// same events.
func TestLivesResumed(t *testing.T) {
	each(t, func(t *testing.T, l *life, rng *rand.Rand, want []bench.Event) {
		e := infer.New(l.p, l.st)
		var got []bench.Event
		for _, o := range l.obs {
			got = append(got, e.Step(o)...)
			if rng.IntN(100) > 0 {
				continue
			}
			b, err := json.Marshal(e.State())
			if err != nil {
				t.Fatal(err)
			}
			var s infer.State
			if err := json.Unmarshal(b, &s); err != nil {
				t.Fatal(err)
			}
			e = infer.Resume(l.p, l.st, s)
		}
		same(t, want, got)
	})
}

// Shifting all times shifts all times of the events and changes nothing else.
func TestLivesShifted(t *testing.T) {
	const by = -3*365*24*time.Hour + 1234567*time.Millisecond
	each(t, func(t *testing.T, l *life, _ *rand.Rand, want []bench.Event) {
		moved := slices.Clone(l.obs)
		for i := range moved {
			moved[i].At = moved[i].At.Add(by)
		}
		got := l.events(moved)
		for i := range got {
			got[i].Time, got[i].Concluded = got[i].Time.Add(-by), got[i].Concluded.Add(-by)
		}
		same(t, want, got)
	})
}

// What was observed at the same moment may be told in any order of kinds.
func TestLivesInAnyOrder(t *testing.T) {
	each(t, func(t *testing.T, l *life, rng *rand.Rand, _ []bench.Event) {
		coarse := slices.Clone(l.obs)
		for i := range coarse {
			coarse[i].At = coarse[i].At.Truncate(100 * time.Millisecond)
		}
		mixed, swaps := slices.Clone(coarse), 0
		for i := range len(mixed) - 2 { // the end stays the end
			a, b := mixed[i], mixed[i+1]
			if a.At.Equal(b.At) && sort(a.Fact) != sort(b.Fact) && rng.IntN(2) == 0 {
				mixed[i], mixed[i+1] = b, a
				swaps++
			}
		}
		if swaps == 0 && l.st.Hookup.Path == bench.FromSupply && l.name != "no readings" && l.name != "leak" {
			t.Error("nothing was swapped: this proves nothing")
		}
		same(t, l.events(coarse), l.events(mixed))
	})
}

// sort tells the kinds of facts apart.
func sort(f bench.Fact) int {
	switch f.(type) {
	case bench.Power:
		return 1
	case bench.USB:
		return 2
	case bench.Traffic:
		return 3
	case bench.Mark:
		return 4
	case bench.Supply:
		return 5
	}
	return 6
}

// A clock that steps back, unannounced, makes no uptime negative and tells
// nothing before it can be known.
func TestLivesWithAClockStep(t *testing.T) {
	each(t, func(t *testing.T, l *life, rng *rand.Rand, _ []bench.Event) {
		stepped, at := slices.Clone(l.obs), rng.IntN(len(l.obs))
		for i := at; i < len(stepped); i++ {
			stepped[i].At = stepped[i].At.Add(-time.Hour)
		}
		for _, e := range l.events(stepped) {
			if u, ok := e.Data.Uptime.Get(); ok && u < 0 || e.Time.After(e.Concluded) {
				t.Errorf("%+v", e)
			}
		}
	})
}
