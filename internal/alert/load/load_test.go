package load_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/alert/life"
	"benchvigil/internal/alert/load"
	"benchvigil/internal/bench"
)

var epoch = time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)

func at(d time.Duration) time.Time { return epoch.Add(d) }

// diary writes events by hand, as a bench would tell them.
type diary struct {
	book   *life.Book
	events []bench.Event
}

func newDiary() *diary { return &diary{book: life.New()} }

func (d *diary) add(e []bench.Event) { d.events = append(d.events, e...) }

func (d *diary) rings(p bench.AlertPoint, s bench.Severity, when time.Duration) {
	d.add(d.book.Raise(bench.Alert{Station: p.Station, Kind: p.Kind, Rule: p.Rule, Severity: s, Since: at(when)}, at(when)))
}

// blinks rings and is over after a while.
func (d *diary) blinks(p bench.AlertPoint, s bench.Severity, when, stood time.Duration) {
	d.rings(p, s, when)
	d.add(d.book.Return(p, at(when+stood), ""))
}

func (d *diary) acks(t *testing.T, p bench.AlertPoint, when time.Duration) {
	t.Helper()
	e, err := d.book.Act(bench.AlertAct{Do: bench.DeedAcknowledge, Key: p.String()}, at(when))
	if err != nil {
		t.Fatal(err)
	}
	d.add(e)
}

func (d *diary) report(until time.Duration, people int) load.Report {
	return load.Of(slices.Values(d.events), epoch, at(until), people)
}

func point(station string) bench.AlertPoint {
	return bench.AlertPoint{Station: station, Kind: bench.AlertStalled}
}

var idle = bench.AlertPoint{Station: "left", Kind: bench.AlertDraw, Rule: "high-idle"}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-9 {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// TestFlood is worked by hand: eleven rings, a minute apart from 10:00 on. The
// eleventh is at 10:10, and the first has left the ten minutes by then: no flood.
// Half a minute apart, the eleventh is at 10:05: there it begins. The rings leave
// from 10:10 to 10:15; the seventh goes at 10:13, and four are left.
func TestFlood(t *testing.T) {
	for _, tt := range []struct {
		apart, until time.Duration
		people, peak int
		want         []load.Flood
	}{
		{time.Minute, 24 * time.Hour, 1, 10, nil},
		{30 * time.Second, 24 * time.Hour, 1, 11, []load.Flood{{From: at(2*time.Hour + 5*time.Minute), To: at(2*time.Hour + 13*time.Minute), Rings: 11}}},
		{30 * time.Second, 2*time.Hour + 10*time.Minute, 1, 11, []load.Flood{{From: at(2*time.Hour + 5*time.Minute), To: at(2*time.Hour + 10*time.Minute), Rings: 11}}},
		{30 * time.Second, 24 * time.Hour, 2, 11, nil},
	} {
		d := newDiary()
		for i := range 11 {
			d.rings(point(fmt.Sprint(i)), bench.Notice, 2*time.Hour+time.Duration(i)*tt.apart)
		}
		r := d.report(tt.until, tt.people)
		if diff := cmp.Diff(tt.want, r.Floods); diff != "" || r.Peak != tt.peak {
			t.Errorf("%v apart, %d people: peak %d\n%s", tt.apart, tt.people, r.Peak, diff)
		}
		in := 0.0
		for _, f := range tt.want {
			in += f.To.Sub(f.From).Minutes()
		}
		near(t, "in flood", r.InFlood, in/tt.until.Minutes())
		near(t, "an hour", r.PerHour, 11/tt.until.Hours()/float64(tt.people))
		near(t, "a day", r.PerDay, 24*11/tt.until.Hours()/float64(tt.people))
	}
}

func TestChatterAndFleeting(t *testing.T) {
	d := newDiary()
	d.blinks(idle, bench.Caution, 0, 4*time.Second)
	d.blinks(idle, bench.Caution, 30*time.Second, 9*time.Second)
	d.blinks(idle, bench.Caution, time.Minute, 10*time.Second) // not within a minute of the first, and not short
	r := d.report(time.Hour, 1)
	if r.Chatter != 0 || r.Fleeting != 2 || r.Frequent[0].InMinute != 2 {
		t.Errorf("%d chatter, %d fleeting, %+v", r.Chatter, r.Fleeting, r.Frequent)
	}
	d.blinks(idle, bench.Caution, 80*time.Second, time.Minute)
	if r := d.report(time.Hour, 1); r.Chatter != 1 || r.Fleeting != 2 || r.Frequent[0].InMinute != 3 {
		t.Errorf("%d chatter, %d fleeting, %+v", r.Chatter, r.Fleeting, r.Frequent)
	}
}

func TestSeenToIsNotFleeting(t *testing.T) {
	d := newDiary()
	d.rings(idle, bench.Caution, 0)
	d.acks(t, idle, 2*time.Second)
	d.add(d.book.Return(idle, at(5*time.Second), ""))
	if r := d.report(time.Hour, 1); r.Fleeting != 0 {
		t.Errorf("%d fleeting: a person saw to it", r.Fleeting)
	}
}

// TestStale: a stands from hour 0, b from hour 2 to 30, c from hour 1 on but
// shelved from hour 20 to 21, so that it is stale from hour 45.
func TestStale(t *testing.T) {
	d := newDiary()
	d.rings(point("a"), bench.Caution, 0)
	d.acks(t, point("a"), time.Minute)
	d.rings(point("c"), bench.Caution, time.Hour)
	d.rings(point("b"), bench.Caution, 2*time.Hour)
	e, err := d.book.Act(bench.AlertAct{Do: bench.DeedShelve, Key: point("c").String(), For: time.Hour}, at(20*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	d.add(e)
	d.add(d.book.Tick(at(21 * time.Hour)))
	d.add(d.book.Return(point("b"), at(30*time.Hour), ""))
	for _, tt := range []struct {
		from, until time.Duration
		want        int
	}{{0, 24 * time.Hour, 0}, {0, 25 * time.Hour, 1}, {0, 27 * time.Hour, 2}, {31 * time.Hour, 44 * time.Hour, 1}, {31 * time.Hour, 46 * time.Hour, 2}} {
		if r := load.Of(slices.Values(d.before(tt.until)), at(tt.from), at(tt.until), 1); r.Stale != tt.want {
			t.Errorf("from %v to %v: %d, want %d", tt.from, tt.until, r.Stale, tt.want)
		}
	}
}

func (d *diary) before(until time.Duration) (out []bench.Event) {
	for _, e := range d.events {
		if !e.Time.After(at(until)) {
			out = append(out, e)
		}
	}
	return out
}

// TestTimeToAcknowledge: of 1 to 10 minutes, by nearest rank, the median is the
// fifth and nine of ten are done at the ninth.
func TestTimeToAcknowledge(t *testing.T) {
	d := newDiary()
	for i := range 11 {
		d.rings(point(fmt.Sprint(i)), bench.Notice, 0)
	}
	for i := range 10 {
		d.acks(t, point(fmt.Sprint(i)), time.Duration(i+1)*time.Minute)
	}
	r := d.report(time.Hour, 1)
	if r.Acked != 10 || r.Unseen != 1 || r.AckMedian != 300 || r.AckP90 != 540 {
		t.Errorf("%d acknowledged, %d not; median %v s, p90 %v s", r.Acked, r.Unseen, r.AckMedian, r.AckP90)
	}
}

// TestWhatRings: what is held back or shelved does not, what comes back does.
func TestWhatRings(t *testing.T) {
	d := newDiary()
	p := point("left")
	d.add(d.book.Hold("left", at(time.Hour), at(0)))
	d.rings(p, bench.Danger, time.Minute)
	if r := d.report(time.Hour, 1); r.Rings != 0 {
		t.Errorf("held back: %d rings", r.Rings)
	}
	d.add(d.book.Tick(at(time.Hour)))
	if r := d.report(time.Hour, 1); r.Rings != 1 {
		t.Errorf("released: %d rings", r.Rings)
	}
	e, err := d.book.Act(bench.AlertAct{Do: bench.DeedShelve, Key: p.String()}, at(2*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	d.add(e)
	d.add(d.book.Tick(at(3 * time.Hour)))
	d.add(d.book.Raise(bench.Alert{Station: "left", Kind: bench.AlertDropped, Severity: bench.Danger, Passing: true, Since: at(3 * time.Hour)}, at(3*time.Hour)))
	d.add(d.book.Hold("left", at(4*time.Hour), at(3*time.Hour)))
	d.add(d.book.Return(p, at(3*time.Hour+time.Minute), ""))
	d.add(d.book.Tick(at(4 * time.Hour))) // the news was told before
	if r := d.report(5*time.Hour, 1); r.Rings != 3 {
		t.Errorf("%d rings, want 3", r.Rings)
	}
	if r := load.Of(slices.Values(d.events), at(2*time.Hour), at(5*time.Hour), 0); r.Rings != 2 || r.People != 1 {
		t.Errorf("from the second hour: %d rings, %d people", r.Rings, r.People)
	}
}

func TestNothing(t *testing.T) {
	for _, until := range []time.Duration{0, time.Hour, -time.Hour} {
		r := load.Of(slices.Values([]bench.Event{{Type: bench.RunDropped}}), epoch, at(until), 1)
		text, err := json.Marshal(r)
		if err != nil || r.Rings != 0 || len(r.Hints) != 0 || strings.Contains(r.Text(), "NOT KEPT") || strings.Contains(r.Text(), "NaN") {
			t.Errorf("%v\n%s\n%s", err, text, r.Text())
		}
	}
}

// night is a rule that rings for nothing, a chattering cable, one stall that
// stands, and little else.
func night(t *testing.T) *diary {
	t.Helper()
	d := newDiary()
	d.rings(point("right"), bench.Danger, 0)
	for i := range 41 {
		stood := 4 * time.Second
		if i%14 == 13 {
			stood = 2 * time.Minute
		}
		d.blinks(idle, bench.Caution, time.Hour+time.Duration(i)*20*time.Minute, stood)
	}
	cable := bench.AlertPoint{Station: "right", Kind: bench.AlertSupplyLost}
	for i := range 3 {
		d.blinks(cable, bench.Caution, 20*time.Hour+time.Duration(i)*20*time.Second, 15*time.Second)
	}
	d.acks(t, point("right"), 21*time.Hour)
	return d
}

func TestHints(t *testing.T) {
	r := night(t).report(30*time.Hour, 1)
	want := []string{
		"draw rule high-idle rang 41 times, 39 of them shorter than 10s: give it for: 10s",
		"supply-lost rang 3 times, up to 3 times within 1m: look at its limits in the profile, and at cable and plug",
		"right.stalled stands for 30 h: mend it, or take it out of service until then",
	}
	if d := cmp.Diff(want, r.Hints); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	d := newDiary()
	for i := range 20 {
		d.rings(point(fmt.Sprint(i)), bench.Danger, time.Duration(i)*time.Hour)
	}
	want = []string{
		"stalled rang 20 times, 100 % of all: see whether each asked for an act, and raise its limit or its delay if not",
		"20 of 20 rings were dangers: what is usual is none; lower the severity of what can wait",
	}
	if d := cmp.Diff(want, d.report(20*time.Hour, 1).Hints); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

func TestRemedyIsBeyondTheLongest(t *testing.T) {
	for _, tt := range []struct {
		stood time.Duration
		want  string
	}{{time.Second, "for: 5s"}, {4 * time.Second, "for: 10s"}, {9800 * time.Millisecond, "for: 15s"}} {
		d := newDiary()
		for i := range 3 {
			d.blinks(idle, bench.Notice, time.Duration(i)*time.Hour, tt.stood)
		}
		if r := d.report(9*time.Hour, 1); len(r.Hints) != 1 || !strings.HasSuffix(r.Hints[0], tt.want) {
			t.Errorf("%v: %v", tt.stood, r.Hints)
		}
	}
}

func TestText(t *testing.T) {
	r := night(t).report(30*time.Hour, 2)
	want := `2026-03-09 08:00:00 to 2026-03-10 14:00:00, 2 people: 45 rings at 3 points

measure                          found                      target              set by      verdict
rings an hour, each person       0.8                        ≤ 6, at most 12     ISA-18.2    kept
rings a day, each person         18                         ≤ 150, at most 300  ISA-18.2    kept
most in ten minutes              3                          ≤ 20                ISA-18.2    kept
time in floods                   0.0 %                      < 1 %               ISA-18.2    kept
points that chatter              1                          0                   ISA-18.2    NOT KEPT
over within 10s                  39                         0                   ISA-18.2    NOT KEPT
standing for a day, at once      1                          < 5                 ISA-18.2    kept
share of the ten most frequent   100.0 %                    ≤ 5 %               ISA-18.2    too few to say
share of danger                  2.2 %                      ≤ 5.0 %             ISA-18.2    kept
share of caution                 97.8 %                     ≤ 15.0 %            ISA-18.2    NOT KEPT
share of notice                  0.0 %                      ≥ 80.0 %            ISA-18.2    NOT KEPT
acknowledged after, nine of ten  21h (half: 21h; 44 never)  ≤ 10m               benchvigil  NOT KEPT

most frequent        rings  of all  short  in a minute
left.draw.high-idle  41     91.1 %  39     1
right.supply-lost    3      6.7 %   0      3
right.stalled        1      2.2 %   0      1

what to change
- draw rule high-idle rang 41 times, 39 of them shorter than 10s: give it for: 10s
- supply-lost rang 3 times, up to 3 times within 1m: look at its limits in the profile, and at cable and plug
- right.stalled stands for 30 h: mend it, or take it out of service until then
`
	got := r.Text()
	var trimmed []string
	for line := range strings.SplitSeq(got, "\n") {
		trimmed = append(trimmed, strings.TrimRight(line, " "))
	}
	got = strings.Join(trimmed, "\n")
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

// TestBruteForce counts rings of any lives once more, second by second.
func TestBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const seconds = 3 * 3600
		d := newDiary()
		times := rapid.SliceOfN(rapid.IntRange(0, seconds-1), 0, 80).Draw(t, "times")
		slices.Sort(times)
		perPoint := map[string][]int{}
		for _, s := range times {
			p := point(rapid.SampledFrom([]string{"a", "b", "c", "d", "e", "f", "g", "h", "i", "j", "k", "l"}).Draw(t, "station"))
			if slices.Contains(perPoint[p.Station], s) {
				continue // the same occurrence
			}
			perPoint[p.Station] = append(perPoint[p.Station], s)
			d.add(d.book.Raise(bench.Alert{Station: p.Station, Kind: p.Kind, Severity: bench.Notice, Passing: true, Since: at(time.Duration(s) * time.Second)}, at(time.Duration(s)*time.Second)))
		}
		people := rapid.IntRange(1, 2).Draw(t, "people")
		r := d.report(seconds*time.Second, people)

		var all []int
		chatter, counts := 0, []int{}
		for _, of := range perPoint {
			all = append(all, of...)
			counts = append(counts, len(of))
			if most(of, 60, seconds) >= 3 {
				chatter++
			}
		}
		slices.Sort(counts)
		slices.Reverse(counts)
		tops := 0
		for _, n := range counts[:min(10, len(counts))] {
			tops += n
		}
		flooded, in := 0, false
		for now := range seconds {
			n := within(all, now, 600)
			in = n > 10*people || in && n >= 5*people
			if in {
				flooded++
			}
		}
		if got := most(all, 600, seconds); r.Rings != len(all) || r.Peak != got || r.Chatter != chatter {
			t.Fatalf("%d rings, peak %d, %d chatter; want %d, %d, %d", r.Rings, r.Peak, r.Chatter, len(all), got, chatter)
		}
		if want := float64(flooded) / seconds; math.Abs(r.InFlood-want) > 1e-9 {
			t.Fatalf("in flood %v, want %v", r.InFlood, want)
		}
		if want := float64(tops) / float64(max(1, len(all))); math.Abs(r.TopShare-want) > 1e-9 {
			t.Fatalf("the ten most frequent %v, want %v", r.TopShare, want)
		}
	})
}

// within counts what rang in the seconds up to now.
func within(times []int, now, span int) (n int) {
	for _, s := range times {
		if s <= now && s > now-span {
			n++
		}
	}
	return n
}

func most(times []int, span, seconds int) (n int) {
	for now := range seconds {
		n = max(n, within(times, now, span))
	}
	return n
}

// A report on a ledger that is younger than was asked says so, and rates that less
// than their own time was measured over are too few to say.
func TestYounger(t *testing.T) {
	for _, tt := range []struct {
		until     time.Duration
		hour, day load.Verdict
	}{{10 * time.Minute, load.TooFew, load.TooFew}, {2 * time.Hour, load.NotKept, load.TooFew}, {24 * time.Hour, load.Kept, load.Kept}} {
		d := newDiary()
		for i := range 30 {
			d.rings(point(fmt.Sprintf("left%d", i)), bench.Caution, time.Duration(i)*time.Second)
		}
		r := d.report(tt.until, 1)
		if r.Measures[0].Verdict != tt.hour || r.Measures[1].Verdict != tt.day {
			t.Errorf("%v: %v", tt.until, r.Measures[:2])
		}
		if r.Younger = true; !strings.Contains(r.Text(), "since the ledger began, "+bench.InWords(tt.until)+" ago") {
			t.Errorf("%v: %s", tt.until, r.Text())
		}
	}
}
