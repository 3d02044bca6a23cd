package infer_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/unit"
)

// genStation draws a way of being wired.
func genStation(t *rapid.T) infer.Station {
	st := infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}, Window: 20 * time.Second}
	if rapid.Bool().Draw(t, "battery") {
		st.Hookup.Path = bench.FromBattery
	}
	st.Hookup.VBUS = rapid.Bool().Draw(t, "vbus")
	st.Hookup.USB = rapid.Bool().Draw(t, "usb")
	return st
}

// genObservations draws a life of a board: phases of current with changes on
// the bus, marks and silences between.
func genObservations(t *rapid.T) []bench.Observation {
	var out []bench.Observation
	now := epoch
	add := func(f bench.Fact) { out = append(out, bench.Observation{At: now, Station: "s1", Fact: f}) }
	levels := rapid.SampledFrom([]unit.Current{0, 1_000, 8_000, 20_000, 50_000, 200_000, 400_000, 900_000})
	var urbs uint64
	for range rapid.IntRange(1, 25).Draw(t, "phases") {
		switch rapid.IntRange(0, 9).Draw(t, "what") {
		case 0:
			add(bench.USB{Change: bench.USBAdd, ID: bench.USBID{Vendor: 0x1209, Product: uint16(rapid.IntRange(1, 5).Draw(t, "product"))}})
		case 1:
			add(bench.USB{Change: bench.USBRemove})
		case 2:
			add(genMark(t))
		case 3:
			now = now.Add(time.Duration(rapid.IntRange(1, 130_000).Draw(t, "silence")) * time.Millisecond)
		case 4:
			urbs += uint64(rapid.IntRange(0, 50).Draw(t, "urbs"))
			add(bench.Traffic{URBs: urbs})
		case 5:
			add(bench.Supply{Change: rapid.SampledFrom([]bench.Sight{bench.Lost, bench.Back, bench.Trouble}).Draw(t, "supply"), Error: "x"})
		case 6:
			add(bench.USBSource{Change: rapid.SampledFrom([]bench.Sight{bench.Lost, bench.Back}).Draw(t, "source"), Error: "y"})
		default:
			level, p := levels.Draw(t, "level"), genPower(t)
			period := time.Duration(rapid.SampledFrom([]int{20, 100, 137, 500}).Draw(t, "period")) * time.Millisecond
			lost := rapid.SampledFrom([]int{0, 0, 0, 1, 5}).Draw(t, "losses")
			for range rapid.IntRange(1, 60).Draw(t, "readings") {
				if p.Amps = unit.Some(level); lost > 0 && rapid.IntRange(0, lost).Draw(t, "lost") == 0 {
					p.Amps = unit.Maybe[unit.Current]{}
				}
				add(p)
				now = now.Add(period)
			}
		}
		now = now.Add(time.Duration(rapid.IntRange(0, 400).Draw(t, "pause")) * time.Millisecond)
	}
	add(bench.Mark{Kind: bench.MarkNote})
	now = now.Add(5 * time.Second)
	add(bench.Clock{End: true})
	return out
}

// genMark draws what a person may say.
func genMark(t *rapid.T) bench.Mark {
	m := bench.Mark{By: "kim", Kind: rapid.SampledFrom([]string{
		bench.MarkStop, bench.MarkResume, bench.MarkNote, bench.MarkMine, bench.MarkHandsOn, bench.MarkHandsOff, bench.MarkHookup, bench.MarkScreen, bench.MarkScreen,
	}).Draw(t, "mark")}
	switch m.Kind {
	case bench.MarkHandsOn:
		m.For = time.Duration(rapid.IntRange(1, 120).Draw(t, "for")) * time.Second
	case bench.MarkScreen:
		m.Text = string(rapid.SampledFrom(bench.Screens()).Draw(t, "screen"))
	}
	return m
}

// genPower draws what a reading says besides the current.
func genPower(t *rapid.T) bench.Power {
	p := bench.Power{Volts: unit.Some(3800 * unit.Millivolt)}
	switch rapid.IntRange(0, 5).Draw(t, "instrument") {
	case 0:
		p.Volts = unit.Some(2900 * unit.Millivolt)
	case 1:
		p.SetVolts, p.LimitAmps = unit.Some(3800*unit.Millivolt), unit.Some(400*unit.Milliampere)
	case 2:
		p.Output = unit.Some(rapid.Bool().Draw(t, "output"))
	case 3:
		p.Channel = rapid.SampledFrom([]string{bench.ChannelMain, bench.ChannelVBUS}).Draw(t, "channel")
	}
	return p
}

func runAll(e *infer.Engine, obs []bench.Observation) (out []bench.Event) {
	for _, o := range obs {
		out = append(out, e.Step(o)...)
	}
	return out
}

// The same observations always give the same events.
func TestDeterminism(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st, obs := genStation(t), genObservations(t)
		if diff := cmp.Diff(runAll(infer.New(p, st), obs), runAll(infer.New(p, st), obs), maybes); diff != "" {
			t.Fatalf("(-once +again):\n%s", diff)
		}
	})
}

// A watch that is saved and taken up again anywhere gives the same events.
func TestResumeAnywhere(t *testing.T) { resumesAnywhere(t, genObservations) }

// resumesAnywhere saves a watch of drawn observations somewhere in its middle
// and takes it up again, which must change nothing.
func resumesAnywhere(t *testing.T, draw func(*rapid.T) []bench.Observation) {
	t.Helper()
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st, obs := genStation(t), draw(t)
		want := runAll(infer.New(p, st), obs)
		cut := rapid.IntRange(0, len(obs)).Draw(t, "cut")
		first := infer.New(p, st)
		got := runAll(first, obs[:cut])
		b, err := json.Marshal(first.State())
		if err != nil {
			t.Fatal(err)
		}
		var s infer.State
		if err := json.Unmarshal(b, &s); err != nil {
			t.Fatal(err)
		}
		got = append(got, runAll(infer.Resume(p, st, s), obs[cut:])...)
		if diff := cmp.Diff(want, got, maybes); diff != "" {
			t.Fatalf("cut at %d (-whole +resumed):\n%s", cut, diff)
		}
	})
}

// It makes no difference when, or whether, Tick was called.
func TestTicksMakeNoDifference(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st, obs := genStation(t), genObservations(t)
		want := runAll(infer.New(p, st), obs)
		e := infer.New(p, st)
		var got []bench.Event
		for i, o := range obs {
			if i > 0 {
				for range rapid.IntRange(0, 2).Draw(t, "ticks") {
					span := o.At.Sub(obs[i-1].At)
					got = append(got, e.Tick(obs[i-1].At.Add(time.Duration(rapid.Float64Range(0, 1).Draw(t, "at")*float64(span))))...)
				}
			}
			got = append(got, e.Step(o)...)
		}
		if diff := cmp.Diff(want, got, maybes); diff != "" {
			t.Fatalf("(-without +with ticks):\n%s", diff)
		}
	})
}

// Settling as soon as nothing more comes at a moment changes nothing but how
// soon the events are told.
func TestSettlingMakesNoDifference(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st, obs := genStation(t), genObservations(t)
		want := runAll(infer.New(p, st), obs)
		e := infer.New(p, st)
		var got []bench.Event
		for i, o := range obs {
			got = append(got, e.Step(o)...)
			later := i+1 < len(obs) && obs[i+1].At.UnixMilli() > e.Now().UnixMilli()
			if later && rapid.Bool().Draw(t, "settle") {
				got = append(got, e.Settle()...)
			}
		}
		if diff := cmp.Diff(want, got, maybes); diff != "" {
			t.Fatalf("(-want +settled):\n%s", diff)
		}
	})
}

// Shifting all times shifts all times of the events and changes nothing else.
func TestShiftedTime(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st, obs := genStation(t), genObservations(t)
		by := time.Duration(rapid.Int64Range(-1e9, 1e9).Draw(t, "ms")) * time.Millisecond
		want := runAll(infer.New(p, st), obs)
		for i := range obs {
			obs[i].At = obs[i].At.Add(by)
		}
		got := runAll(infer.New(p, st), obs)
		for i := range got {
			got[i].Time, got[i].Concluded = got[i].Time.Add(-by), got[i].Concluded.Add(-by)
		}
		if diff := cmp.Diff(want, got, maybes); diff != "" {
			t.Fatalf("(-here +shifted):\n%s", diff)
		}
	})
}

// A wall clock that jumps about, announced or not, never makes an uptime
// negative, and no event comes before it can be known.
func TestClockNeverMakesNegativeTimes(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st, obs := genStation(t), genObservations(t)
		at := rapid.IntRange(0, len(obs)-1).Draw(t, "at")
		by := time.Duration(rapid.Int64Range(-7_200_000, 7_200_000).Draw(t, "ms")) * time.Millisecond
		announced := rapid.Bool().Draw(t, "announced")
		for i := at; i < len(obs); i++ {
			obs[i].At = obs[i].At.Add(by)
		}
		e := infer.New(p, st)
		check := func(events []bench.Event) {
			for _, ev := range events {
				if u, ok := ev.Data.Uptime.Get(); ok && u < 0 || ev.Time.After(ev.Concluded) {
					t.Fatalf("%+v", ev)
				}
			}
		}
		for i, o := range obs {
			if i == at && i > 0 && announced && by != 0 {
				check(e.Step(bench.Observation{At: o.At, Station: "s1", Fact: bench.Clock{Jump: by}}))
			}
			check(e.Step(o))
		}
	})
}

// An announced jump changes no uptime and loses no event.
func TestAnnouncedJumpChangesNothing(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st, obs := genStation(t), genObservations(t)
		at := rapid.IntRange(1, len(obs)-1).Draw(t, "at")
		by := time.Duration(rapid.Int64Range(1, 7_200_000).Draw(t, "ms")) * time.Millisecond
		if rapid.Bool().Draw(t, "back") {
			by = -by
		}
		want := runAll(infer.New(p, st), obs)
		e := infer.New(p, st)
		got := runAll(e, obs[:at])
		got = append(got, e.Step(bench.Observation{At: obs[at].At.Add(by), Station: "s1", Fact: bench.Clock{Jump: by}})...)
		for _, o := range obs[at:] {
			o.At = o.At.Add(by)
			got = append(got, e.Step(o)...)
		}
		if len(want) != len(got) {
			t.Fatalf("%d events without and %d with the jump", len(want), len(got))
		}
		for i := range want {
			if diff := cmp.Diff(want[i].Data, got[i].Data, maybes); diff != "" || want[i].Type != got[i].Type {
				t.Fatalf("%s and %s (-without +with the jump):\n%s", want[i].Type, got[i].Type, diff)
			}
		}
	})
}

// maybes lets cmp look into what may be unknown.
var maybes = cmp.AllowUnexported(unit.Maybe[time.Duration]{})

// Every transcript, saved after each observation, gives its events again.
func TestTranscriptsResume(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no transcripts: %v", err)
	}
	p := handset(t)
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for block := range strings.SplitSeq(string(b), "\n\n") {
			commands, _, found := strings.Cut(block, "----")
			if !found || !strings.HasPrefix(firstCommand(commands), "station") {
				continue
			}
			s := newStory(t, p)
			s.tell(commands)
			resumedEverywhere(t, s)
		}
	}
}

func resumedEverywhere(t *testing.T, s *story) {
	t.Helper()
	st := s.e.Station()
	want := runAll(infer.New(s.p, st), s.all)
	e := infer.New(s.p, st)
	var got []bench.Event
	for _, o := range s.all {
		got = append(got, e.Step(o)...)
		e = infer.Resume(s.p, st, e.State())
	}
	if diff := cmp.Diff(want, got, maybes); diff != "" {
		t.Errorf("(-whole +resumed after each observation):\n%s", diff)
	}
}

// What was observed at the same moment is weighed together: the order in which
// facts of different kinds are told makes no difference.
func TestOrderAtOneMomentMakesNoDifference(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st, obs := genStation(t), genObservations(t)
		coarse := time.Duration(rapid.SampledFrom([]int{1, 50, 100, 1000}).Draw(t, "coarse")) * time.Millisecond
		for i := range obs {
			obs[i].At = obs[i].At.Truncate(coarse)
		}
		want := runAll(infer.New(p, st), obs)
		got := runAll(infer.New(p, st), shuffled(t, obs))
		if diff := cmp.Diff(want, got, maybes); diff != "" {
			t.Fatalf("(-in order +shuffled):\n%s", diff)
		}
	})
}

// shuffled swaps neighbours of the same moment and of different kinds. The end
// of a clock stays where it is.
func shuffled(t *rapid.T, obs []bench.Observation) []bench.Observation {
	out := append([]bench.Observation{}, obs...)
	for range rapid.IntRange(1, 3).Draw(t, "rounds") {
		for i := range len(out) - 2 {
			a, b := out[i], out[i+1]
			if a.At.Equal(b.At) && reflect.TypeOf(a.Fact) != reflect.TypeOf(b.Fact) && rapid.Bool().Draw(t, "swap") {
				out[i], out[i+1] = b, a
			}
		}
	}
	return out
}
