package study

import (
	"maps"
	"reflect"
	"slices"
	"testing"
	"time"

	"benchvigil/internal/bench"
)

// sec is a moment of a hand-made story.
func sec(s float64) ms { return ms(s * 1000) }

// story is a board that starts, drifts, is reset, restores, stalls, is stopped,
// leaks, hangs in its start and dies; and what a perfect watch says of it.
func story() (*truth, []bench.Event) {
	t := &truth{
		Spans: []span{
			{From: 0, To: sec(10), Mode: bench.Off},
			{From: sec(10), To: sec(30), Mode: bench.Starting},
			{From: sec(30), To: sec(400), Mode: bench.Running},
			{From: sec(400), To: sec(401), Mode: bench.Off},
			{From: sec(401), To: sec(420), Mode: bench.Starting},
			{From: sec(420), To: sec(900), Mode: bench.Restoring, Also: []bench.Mode{bench.Starting}},
			{From: sec(900), To: sec(940), Mode: bench.Off},
			{From: sec(940), To: sec(1000), Mode: bench.Standby},
			{From: sec(1000), To: sec(1100), Mode: bench.Starting},
			{From: sec(1100), To: sec(1200), Mode: bench.Off},
		},
		Drops: []drop{
			{At: sec(400), Back: sec(401), Kinds: []string{bench.Reset}, Rate: 10, Seen: 9, First: sec(400.1), End: sec(401.1), Within: sec(10)},
			{At: sec(1100), Back: never, Kinds: []string{bench.Died}, Rate: 10, Seen: 64, First: sec(1100.1), End: sec(1108), Within: sec(10)},
		},
		Runs: []run{
			{Start: sec(10), Origin: sec(30), End: sec(400), Proof: sec(400)},
			{Start: sec(401), Origin: sec(420), End: sec(900), Proof: sec(900)},
			{Start: sec(1000), Origin: never, End: sec(1100), Proof: sec(1100)},
		},
		Stalls:   []stall{{From: sec(600), To: sec(850), Quiet: sec(120)}},
		Hung:     []ms{sec(1060)},
		Restarts: []ms{sec(500)},
		Stops:    []ms{sec(900)},
		Drifts:   []ms{sec(200)},
		Leaks:    []ms{sec(940)}, Collapses: []ms{sec(860)},
		Restore: sec(480), RePair: sec(10), End: sec(1200),
	}
	mode := func(m bench.Mode, at float64) bench.Event {
		return event(bench.ModeChanged, at, at+0.5, bench.EventData{To: m, Mode: m})
	}
	return t, []bench.Event{
		mode(bench.Off, 0),
		event(bench.RunStarted, 10.1, 10.2, bench.EventData{}), mode(bench.Starting, 10),
		mode(bench.Running, 30), event(bench.WindowMet, 240, 240.1, bench.EventData{}),
		event(bench.CurrentDrifting, 200, 260, bench.EventData{}),
		event(bench.RunDropped, 400.1, 400.8, bench.EventData{Kind: bench.Reset}), mode(bench.Off, 400.3),
		event(bench.RunStarted, 401.1, 401.2, bench.EventData{}), mode(bench.Starting, 401),
		mode(bench.Restoring, 420),
		event(bench.RunRestarted, 500, 520, bench.EventData{}),
		event(bench.WindowMet, 630, 630.1, bench.EventData{}),
		event(bench.StallRaised, 600, 721, bench.EventData{Mode: bench.Restoring}),
		event(bench.CurrentCollapsed, 860, 863, bench.EventData{}),
		event(bench.RunStopped, 900, 900, bench.EventData{}), mode(bench.Off, 900),
		mode(bench.Standby, 940), event(bench.CurrentHigh, 940, 945, bench.EventData{}),
		event(bench.RunStarted, 1000.1, 1000.2, bench.EventData{}), mode(bench.Starting, 1000),
		event(bench.StartHung, 1060, 1060.1, bench.EventData{}),
		event(bench.RunDropped, 1100.1, 1100.8, bench.EventData{Kind: bench.Died}), mode(bench.Off, 1100.3),
	}
}

func event(kind bench.EventType, at, known float64, d bench.EventData) bench.Event {
	return bench.Event{
		Type: kind, Time: epoch.Add(time.Duration(at * float64(time.Second))), Concluded: epoch.Add(time.Duration(known * float64(time.Second))), Data: d,
	}
}

// faults are the counts of a Tally that a perfect watch leaves at nothing.
var faults = []string{
	"Missed", "FalseDrops", "WrongKind", "HeldMissed", "MissedStalls", "FalseStalls", "FalseRePairStalls", "StallFlaps", "ClearsFalse",
	"RunsMissed", "RunsFalse", "WindowsMissed", "WindowsWrong", "HungMissed", "HungFalse", "RestartsMissed",
	"RegularMissed", "RegularFalse", "DriftsMissed", "DriftsFalse", "LeaksMissed", "HighsFalse", "CollapsesMissed", "CollapsesFalse", "StopsMissed",
}

func faultsOf(y *Tally) map[string]int {
	out := map[string]int{}
	for _, f := range faults {
		if n := reflect.ValueOf(*y).FieldByName(f).Int(); n != 0 {
			out[f] = int(n)
		}
	}
	return out
}

func TestScorePerfect(t *testing.T) {
	truth, events := story()
	y := score(truth, events)
	if got := faultsOf(y); len(got) > 0 {
		t.Errorf("faults of a perfect watch: %v, %v", got, y.worst)
	}
	if y.Drops != 2 || y.Stalls != 1 || y.Windows != 2 || y.Runs != 3 || y.Hung != 1 || y.Restarts != 1 || y.Stops != 1 || y.Drifts != 1 || y.Leaks != 1 {
		t.Errorf("what was asked: %+v", y)
	}
	if d := y.Delay.summary(); d.N != 2 || d.P50 != 0.8 || d.Max != 0.8 {
		t.Errorf("delay %+v, want 0.8 s twice", d)
	}
	if d := y.StallDelay.summary(); d.N != 1 || d.Max != 1 {
		t.Errorf("stall delay %+v, want 1 s beyond the quiet limit", d)
	}
	if y.right() != 1 {
		t.Errorf("mode right %v, want 1: %v", y.right(), y.Modes)
	}
}

// Each planted error must be seen, and seen as what it is.
func TestScorePlanted(t *testing.T) {
	without := func(kind bench.EventType, nth int) func(*truth, []bench.Event) []bench.Event {
		return func(_ *truth, e []bench.Event) []bench.Event {
			return slices.Delete(e, index(e, kind, nth), index(e, kind, nth)+1)
		}
	}
	with := func(more ...bench.Event) func(*truth, []bench.Event) []bench.Event {
		return func(_ *truth, e []bench.Event) []bench.Event { return append(e, more...) }
	}
	shift := func(kind bench.EventType, nth int, by time.Duration) func(*truth, []bench.Event) []bench.Event {
		return func(_ *truth, e []bench.Event) []bench.Event {
			i := index(e, kind, nth)
			e[i].Time, e[i].Concluded = e[i].Time.Add(by), e[i].Concluded.Add(by)
			return e
		}
	}
	seen := map[string]bool{}
	for name, tt := range map[string]struct {
		plant func(*truth, []bench.Event) []bench.Event
		want  map[string]int
	}{
		"a drop kept back":           {without(bench.RunDropped, 0), map[string]int{"Missed": 1}},
		"a drop told far too late":   {shift(bench.RunDropped, 0, 30*time.Second), map[string]int{"Missed": 1, "FalseDrops": 1}},
		"a drop told too early":      {shift(bench.RunDropped, 0, -30*time.Second), map[string]int{"Missed": 1, "FalseDrops": 1}},
		"a drop made up":             {with(event(bench.RunDropped, 300, 301, bench.EventData{Kind: bench.Died})), map[string]int{"FalseDrops": 1}},
		"a drop told twice":          {with(event(bench.RunDropped, 400.1, 401, bench.EventData{Kind: bench.Reset})), map[string]int{"FalseDrops": 1}},
		"a drop by another name":     {rename(bench.RunDropped, 0, bench.BrownOut), map[string]int{"WrongKind": 1}},
		"a stall kept back":          {without(bench.StallRaised, 0), map[string]int{"MissedStalls": 1}},
		"a stall made up":            {with(event(bench.StallRaised, 430, 560, bench.EventData{})), map[string]int{"FalseStalls": 1}},
		"a stall told before it was": {shift(bench.StallRaised, 0, -130*time.Second), map[string]int{"MissedStalls": 1, "FalseStalls": 1}},
		"a stall told twice":         {with(event(bench.StallRaised, 600, 800, bench.EventData{})), map[string]int{"StallFlaps": 1}},
		"a stall said to be over":    {with(event(bench.StallCleared, 790, 800, bench.EventData{})), map[string]int{"ClearsFalse": 1}},
		"a stall in a re-pairing": {func(t *truth, e []bench.Event) []bench.Event {
			t.Spans[2].Mode, t.Spans[2].Also = bench.RePairing, []bench.Mode{bench.Running}
			return append(e, event(bench.StallRaised, 100, 300, bench.EventData{}))
		}, map[string]int{"FalseRePairStalls": 1}},
		"a start of a run kept back": {without(bench.RunStarted, 1), map[string]int{"RunsMissed": 1}},
		"a start of a run made up":   {with(event(bench.RunStarted, 960, 961, bench.EventData{})), map[string]int{"RunsFalse": 1}},
		"a window kept back":         {without(bench.WindowMet, 0), map[string]int{"WindowsMissed": 1}},
		"a window met too soon":      {shift(bench.WindowMet, 0, -20*time.Second), map[string]int{"WindowsMissed": 1, "WindowsWrong": 1}},
		"a window met by none": {func(t *truth, e []bench.Event) []bench.Event {
			t.Runs[0].End, t.Runs[0].Proof = sec(200), sec(200) // it dropped before
			t.Drops[0].At, t.Drops[0].Back = sec(200), sec(201)
			t.Drops[0].First, t.Drops[0].End = sec(200.1), sec(201.1)
			e[index(e, bench.RunDropped, 0)] = event(bench.RunDropped, 200.1, 200.8, bench.EventData{Kind: bench.Reset})
			return e
		}, map[string]int{"WindowsWrong": 1}},
		"a hung start kept back":     {without(bench.StartHung, 0), map[string]int{"HungMissed": 1}},
		"a hung start made up":       {with(event(bench.StartHung, 415, 415, bench.EventData{})), map[string]int{"HungFalse": 1}},
		"a restart kept back":        {without(bench.RunRestarted, 0), map[string]int{"RestartsMissed": 1}},
		"a stop kept back":           {without(bench.RunStopped, 0), map[string]int{"StopsMissed": 1}},
		"a drift kept back":          {without(bench.CurrentDrifting, 0), map[string]int{"DriftsMissed": 1}},
		"a drift made up":            {with(event(bench.CurrentDrifting, 700, 720, bench.EventData{})), map[string]int{"DriftsFalse": 1}},
		"a leak kept back":           {without(bench.CurrentHigh, 0), map[string]int{"LeaksMissed": 1}},
		"a high current made up":     {with(event(bench.CurrentHigh, 100, 103, bench.EventData{})), map[string]int{"HighsFalse": 1}},
		"a collapse kept back":       {without(bench.CurrentCollapsed, 0), map[string]int{"CollapsesMissed": 1}},
		"a collapse made up":         {with(event(bench.CurrentCollapsed, 100, 103, bench.EventData{})), map[string]int{"CollapsesFalse": 1}},
		"drops called regular":       {with(event(bench.RunRegular, 1100, 1101, bench.EventData{})), map[string]int{"RegularFalse": 1}},
		"a timer that nobody saw":    {func(t *truth, e []bench.Event) []bench.Event { return timerStory(t, e, false) }, map[string]int{"RegularMissed": 1}},
		"a timer that was seen":      {func(t *truth, e []bench.Event) []bench.Event { return timerStory(t, e, true) }, map[string]int{}},
		"a held restart not said":    {heldStory, map[string]int{"HeldMissed": 1}},
		"a drop too short to be met": {tooShort, map[string]int{}},
	} {
		t.Run(name, func(t *testing.T) {
			truth, events := story()
			y := score(truth, tt.plant(truth, events))
			got := faultsOf(y)
			if !maps.Equal(got, tt.want) {
				t.Errorf("got %v, want %v", got, tt.want)
			}
			if len(got) > 0 && len(y.worst) == 0 && got["RestartsMissed"]+got["StallFlaps"] == 0 {
				t.Error("the case is not listed")
			}
			for f := range got {
				seen[f] = true
			}
		})
	}
	for _, f := range faults {
		if !seen[f] {
			t.Errorf("no planted error makes %s react", f)
		}
	}
}

func index(events []bench.Event, kind bench.EventType, nth int) int {
	for i, e := range events {
		if e.Type != kind {
			continue
		}
		if nth == 0 {
			return i
		}
		nth--
	}
	return -1
}

func rename(kind bench.EventType, nth int, to string) func(*truth, []bench.Event) []bench.Event {
	return func(_ *truth, e []bench.Event) []bench.Event {
		e[index(e, kind, nth)].Data.Kind = to
		return e
	}
}

// timerStory adds drops that come from a timer.
func timerStory(t *truth, e []bench.Event, said bool) []bench.Event {
	t.Regular = true
	for _, at := range []float64{1110, 1120} { // only their number matters here
		d := t.Drops[1]
		d.At, d.First, d.End = sec(at), sec(at+0.1), sec(at+8)
		t.Drops = append(t.Drops, d)
		e = append(e, event(bench.RunDropped, at+0.1, at+0.8, bench.EventData{Kind: bench.Died}))
	}
	if said {
		e = append(e, event(bench.RunRegular, 1120, 1121, bench.EventData{}))
	}
	return e
}

// heldStory makes the first drop a restart with power held, and says nothing.
func heldStory(t *truth, e []bench.Event) []bench.Event {
	t.Drops[0].Class = held
	i := index(e, bench.RunDropped, 0)
	return slices.Delete(e, i, i+1)
}

// tooShort makes the first drop one that no reading showed, and says nothing.
func tooShort(t *truth, e []bench.Event) []bench.Event {
	t.Drops[0].Seen = 0
	i := index(e, bench.RunDropped, 0)
	return slices.Delete(e, i, i+1)
}

// The delay counts from the true moment, in the sample of its sort.
func TestScoreDelays(t *testing.T) {
	for name, tt := range map[string]struct {
		change func(*truth)
		of     func(*Tally) *sample
		want   float64
	}{
		"10 readings/s": {func(*truth) {}, func(y *Tally) *sample { return &y.Delay }, 3},
		"2 readings/s":  {func(t *truth) { t.Drops[1].Rate = 2 }, func(y *Tally) *sample { return &y.SlowDelay }, 3},
		"50 readings/s": {func(t *truth) { t.Drops[1].Rate = 50 }, func(y *Tally) *sample { return &y.FastDelay }, 3},
		"held":          {func(t *truth) { t.Drops[1].Class = held }, func(y *Tally) *sample { return &y.HeldDelay }, 3},
		"by the bus":    {func(t *truth) { t.Drops[1].Class, t.Drops[1].Gap = byLink, sec(1) }, func(y *Tally) *sample { return &y.LinkDelay }, 2},
	} {
		truth, events := story()
		tt.change(truth)
		e := &events[index(events, bench.RunDropped, 1)]
		e.Time, e.Concluded = epoch.Add(1101500*time.Millisecond), epoch.Add(1103*time.Second)
		y := score(truth, events)
		if got := tt.of(y).summary().Max; got != tt.want {
			t.Errorf("%s: delay %v, want %v", name, got, tt.want)
		}
		if got := y.TimeError.summary().Max; tt.want == 3 && name != "held" && got != 1.5 {
			t.Errorf("%s: time off by %v, want 1.5", name, got)
		}
	}
}

// A mode shown wrongly is counted for as long as it was shown, but not within
// two seconds of a change; what may be called by another name may.
func TestScoreModes(t *testing.T) {
	truth, events := story()
	wrong := func(m bench.Mode, at float64) bench.Event {
		return event(bench.ModeChanged, at-9, at, bench.EventData{To: m, Mode: m})
	}
	events = append(events, wrong(bench.Asleep, 100), wrong(bench.Running, 110), // ten seconds
		wrong(bench.Off, 399), wrong(bench.Running, 399.5), // close to a change
		wrong(bench.Starting, 500), wrong(bench.Restoring, 520)) // rightly so
	slices.SortStableFunc(events, func(a, b bench.Event) int { return a.Concluded.Compare(b.Concluded) })
	y := score(truth, events)
	if got := y.Modes[pair{"running", "asleep"}]; got != 10 {
		t.Errorf("running shown as asleep for %v s, want 10", got)
	}
	if got := y.Modes[pair{"running", "running"}]; got != 356 {
		t.Errorf("running for %v s, want 370 less 2 at each end and 10", got)
	}
	if got := y.Modes[pair{"restoring", "restoring"}]; got != 476 {
		t.Errorf("restoring for %v s, want all of 476", got)
	}
	if y.Modes[pair{"running", "off"}] != 0 {
		t.Error("close to a change counts")
	}
	truth.Spans[2].Unknown = true
	if got := score(truth, events).Modes[pair{"running", "asleep"}]; got != 0 {
		t.Errorf("what nobody could know counts: %v s", got)
	}
}

// The 95 % limits of a Poisson mean, as tables print them (Garwood 1936;
// common tables, from memory).
func TestPoisson(t *testing.T) {
	for n, want := range map[int][2]float64{0: {0, 3.689}, 1: {0.025, 5.572}, 2: {0.242, 7.225}, 5: {1.623, 11.668}, 10: {4.795, 18.390}, 100: {81.364, 121.627}} {
		low, high := poisson(n)
		if abs(low-want[0]) > 0.001 || abs(high-want[1]) > 0.001 {
			t.Errorf("poisson(%d) = %.3f, %.3f; want %v", n, low, high, want)
		}
	}
}

func TestQuantile(t *testing.T) {
	var s sample
	for _, x := range []float64{5, 1, 4, 2, 3} {
		s.add(x)
	}
	if s.quantile(0.5) != 3 || s.quantile(1) != 5 || s.quantile(0.95) != 4.8 {
		t.Errorf("quantiles %v %v %v, want 3, 5, 4.8", s.quantile(0.5), s.quantile(1), s.quantile(0.95))
	}
}
