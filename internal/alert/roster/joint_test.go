package roster_test

import (
	"maps"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/life"
	"benchvigil/internal/alert/roster"
	"benchvigil/internal/bench"
)

// joint is the book and the roster with an outbox, as they work together.
type joint struct {
	*rapid.T
	book   *life.Book
	roster *roster.Roster
	now    time.Time
	outbox map[string]alert.Message
	putOff map[string]bool // tellings that were shelved or taken out of service
}

var stalled = bench.AlertPoint{Station: "left", Kind: bench.AlertStalled}

// put takes up messages and gives those that are new. None rings unless the
// alert does.
func (j *joint) put(list []roster.Delivery) (fresh []alert.Message) {
	for _, d := range list {
		m := d.Message
		if _, ok := j.outbox[m.Key]; ok {
			continue
		}
		if v, _ := j.book.Find(m.Alert.Key); !m.Quiet() && !v.Rings() {
			j.Fatalf("%s rings, and the alert is %s", m.Key, v.State)
		}
		j.outbox[m.Key] = m
		fresh = append(fresh, m)
	}
	return fresh
}

// told are those who were told in the telling that a view is of, as the outbox
// remembers.
func (j *joint) told(v *bench.AlertView) map[string]bool {
	out := map[string]bool{}
	for _, m := range j.outbox {
		if m.Alert.Key == v.Key && m.Alert.Raised.Equal(v.Raised) && !m.Quiet() {
			out[m.To+"@"+strings.Split(m.Key, "/")[4]] = true
		}
	}
	return out
}

// take hands the steps of a life to the roster. Whoever was told of the alert, and
// nobody else, hears that it is taken or over.
func (j *joint) take(events []bench.Event) {
	for _, e := range events {
		v := e.Data.Alert
		fresh := j.put(j.roster.Due(v, e.Type, j.now))
		reached := map[string]bool{}
		for _, m := range fresh {
			if m.Deed == alert.Taken || m.Deed == alert.Returned {
				reached[m.To+"@"+strings.Split(m.Key, "/")[4]] = true
			}
		}
		// What was put off before, later steps may quietly tell who would have been
		// next meanwhile.
		telling := v.Key + v.Raised.String()
		anew := j.putOff[telling]
		j.putOff[telling] = anew || e.Type == bench.AlertWasShelved || e.Type == bench.AlertWasTakenOut
		if len(reached) > 0 && !anew {
			if d := cmp.Diff(j.told(v), reached); d != "" {
				j.Fatalf("%s: (-told +hear of its end)\n%s", e.Type, d)
			}
		}
	}
}

// minutes lets time pass. A danger that rings has been told at every moment.
func (j *joint) minutes(n int) {
	for range n {
		j.now = j.now.Add(time.Minute)
		j.take(j.book.Tick(j.now))
		for _, v := range j.book.Views() {
			j.put(j.roster.Later(&v, j.now))
			if v.Rings() && v.Severity == bench.Danger && len(j.told(&v)) == 0 {
				j.Fatalf("%s stands, and nobody was told", v.Key)
			}
		}
	}
}

func (j *joint) move() {
	switch what := rapid.SampledFrom([]string{"raise", "return", "time", "time", "acknowledge", "shelve", "unshelve", "take-out", "put-back"}).Draw(j.T, "what"); what {
	case "raise":
		a := bench.Alert{
			Station: stalled.Station, Kind: stalled.Kind, Since: j.now, Key: stalled.KeyAt(j.now),
			Severity: rapid.SampledFrom(bench.Severities()).Draw(j.T, "severity"), Passing: rapid.Bool().Draw(j.T, "news"),
		}
		j.take(j.book.Raise(a, j.now))
	case "return":
		j.take(j.book.Return(stalled, j.now, ""))
	case "time":
		j.minutes(rapid.IntRange(1, 300).Draw(j.T, "minutes"))
	default:
		events, err := j.book.Act(bench.AlertAct{Do: bench.AlertDeed(what), Key: stalled.String(), By: "Ben"}, j.now)
		if err == nil {
			j.take(events)
		}
	}
}

// TestTogether holds what the roster says by rule against what a memory of all
// messages says.
func TestTogether(t *testing.T) {
	start := evening(t)
	r := house(t, func(o *roster.Options) {
		o.Rules = append(o.Rules, roster.Rule{Severities: []bench.Severity{bench.Danger}, Tell: []string{"lamp"}, Then: [][]string{nil, {"Ben"}}})
	})
	rapid.Check(t, func(t *rapid.T) {
		j := &joint{T: t, book: life.New(), roster: r, now: start, outbox: map[string]alert.Message{}, putOff: map[string]bool{}}
		for range rapid.IntRange(1, 25).Draw(t, "steps") {
			j.move()
			j.now = j.now.Add(time.Second)
		}
		before := maps.Clone(j.outbox)
		j.minutes(6 * 60)
		for _, v := range j.book.Views() {
			// A limit to each of five receivers in a night in which nobody cares;
			// twice, where a shelf ends in it.
			if n := len(j.outbox) - len(before); v.Rings() && n > 2*5*(1+roster.DefaultTimes) {
				t.Fatalf("%d messages in a night", n)
			}
		}
	})
}
