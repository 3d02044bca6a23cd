package life_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"benchvigil/internal/alert/life"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

var epoch = time.Date(2026, 3, 9, 21, 0, 0, 0, time.UTC)

func at(d time.Duration) time.Time { return epoch.Add(d) }

var point = bench.AlertPoint{Station: "left", Kind: bench.AlertStalled}

// stall is an alert that began at a moment.
func stall(since time.Duration, s bench.Severity) bench.Alert {
	return bench.Alert{Key: point.KeyAt(at(since)), Kind: point.Kind, Station: point.Station, Severity: s, Since: at(since), Title: "left: stalled"}
}

// drop is news.
func drop(since time.Duration) bench.Alert {
	a := bench.Alert{Kind: bench.AlertDropped, Station: "left", Severity: bench.Danger, Since: at(since), Title: "left: down", Passing: true}
	a.Key = a.Point().KeyAt(a.Since)
	return a
}

// told is what an event says of a step: its type without the prefix, and the
// state after it.
func told(events []bench.Event) []string {
	var out []string
	for _, e := range events {
		out = append(out, strings.TrimPrefix(string(e.Type), "benchvigil.alert.")+" > "+string(e.Data.Alert.State))
	}
	return out
}

func act(t *testing.T, b *life.Book, a bench.AlertAct, d time.Duration) []bench.Event {
	t.Helper()
	out, err := b.Act(a, at(d))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func expect(t *testing.T, got []bench.Event, want ...string) {
	t.Helper()
	if d := cmp.Diff(want, told(got), cmpopts.EquateEmpty()); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

func TestLife(t *testing.T) {
	b := life.New()
	a := stall(0, bench.Danger)
	expect(t, b.Raise(a, at(time.Second)), "raised > unacknowledged")
	expect(t, b.Raise(a, at(2*time.Second)))
	v, ok := b.Find(point.String())
	if want := (bench.AlertView{Alert: a, State: bench.AlertUnacknowledged, Changed: at(time.Second), Raised: at(time.Second), Stands: true}); !ok || !cmp.Equal(want, v, maybes) {
		t.Errorf("(-want +got)\n%s", cmp.Diff(want, v, maybes))
	}
	expect(t, act(t, b, bench.AlertAct{Do: bench.DeedAcknowledge, Key: a.Key, By: "Anna"}, time.Minute), "acknowledged > acknowledged")
	if v, _ = b.Find(a.Key); v.By != "Anna" || !v.Acked.Equal(at(time.Minute)) || !v.Raised.Equal(at(time.Second)) {
		t.Errorf("after Anna: %+v", v)
	}
	expect(t, b.Return(point, at(time.Hour), "it moves"), "returned > normal")
	if v, ok := b.Find(a.Key); len(b.Views()) != 0 || !ok || v.Stands || !v.Returned.Equal(at(time.Hour)) {
		t.Errorf("after its return: %v, %+v", b.Views(), v)
	}
	expect(t, b.Return(point, at(time.Hour), "again"))
	expect(t, b.Raise(a, at(2*time.Hour)))
}

func TestUnacknowledgedReturn(t *testing.T) {
	b := life.New()
	b.Raise(stall(0, bench.Caution), at(0))
	events := b.Return(point, at(time.Minute), "it moves")
	expect(t, events, "returned > returned to normal")
	if d := cmp.Diff([]string{"it moves"}, events[0].Data.Why); d != "" {
		t.Error(d)
	}
	expect(t, act(t, b, bench.AlertAct{Do: bench.DeedAcknowledge, Key: point.String()}, time.Hour), "acknowledged > normal")
}

func TestNewsComesReturned(t *testing.T) {
	b := life.New()
	n := drop(0)
	expect(t, b.Raise(n, at(0)), "raised > returned to normal")
	expect(t, b.Return(n.Point(), at(1), ""))
	expect(t, b.Raise(drop(time.Minute), at(time.Minute)), "raised > returned to normal")
	if v := b.Views(); len(v) != 1 || !v[0].Raised.Equal(at(time.Minute)) || !v[0].Changed.Equal(at(time.Minute)) {
		t.Errorf("the second has not taken the place of the first: %+v", v)
	}
}

func TestNextTakesThePlace(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   bench.AlertDeed
		want []string
	}{
		{"unacknowledged", "", []string{"returned > returned to normal", "raised > unacknowledged"}},
		{"acknowledged", bench.DeedAcknowledge, []string{"returned > normal", "raised > unacknowledged"}},
		{"shelved", bench.DeedShelve, []string{"returned > shelved", "raised > shelved"}},
		{"out of service", bench.DeedTakeOut, []string{"returned > out of service", "raised > out of service"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := life.New()
			b.Raise(stall(0, bench.Danger), at(0))
			if tt.do != "" {
				act(t, b, bench.AlertAct{Do: tt.do, Key: point.String(), By: "Ben"}, time.Minute)
			}
			events := b.Raise(stall(2*time.Minute, bench.Danger), at(2*time.Minute))
			expect(t, events, tt.want...)
			if events[0].Data.Alert.Key == events[1].Data.Alert.Key {
				t.Error("both events are of the same occurrence")
			}
			v, _ := b.Find(point.String())
			if !v.Stands || !v.Since.Equal(at(2*time.Minute)) || !v.Acked.IsZero() {
				t.Errorf("%+v", v)
			}
		})
	}
}

func TestAmend(t *testing.T) {
	b := life.New()
	a := stall(0, bench.Caution)
	expect(t, b.Amend(a, at(0)))
	b.Raise(a, at(0))
	expect(t, b.Amend(a, at(1)))
	a.Text = "0.412 A"
	expect(t, b.Amend(a, at(time.Second)), "changed > unacknowledged")
	act(t, b, bench.AlertAct{Do: bench.DeedAcknowledge, Key: a.Key}, 2*time.Second)
	a.Amps = unit.Some(unit.Current(412_000))
	expect(t, b.Amend(a, at(3*time.Second)), "changed > acknowledged")
	a.Severity = bench.Danger
	expect(t, b.Amend(a, at(time.Minute)), "raised > unacknowledged")
	if v, _ := b.Find(a.Key); !v.Raised.Equal(at(time.Minute)) || !v.Acked.IsZero() {
		t.Errorf("it got worse: %+v", v)
	}
	a.Severity = bench.Caution
	expect(t, b.Amend(a, at(2*time.Minute)), "changed > unacknowledged")
	expect(t, b.Amend(stall(time.Second, bench.Danger), at(3*time.Minute)))
}

func TestShelvedComesBack(t *testing.T) {
	b := life.New()
	b.Raise(stall(0, bench.Danger), at(0))
	expect(t, act(t, b, bench.AlertAct{Do: bench.DeedShelve, Key: point.String(), By: "Anna"}, time.Minute), "shelved > shelved")
	end := time.Minute + bench.DefaultShelve
	expect(t, b.Tick(at(end-time.Millisecond)))
	expect(t, act(t, b, bench.AlertAct{Do: bench.DeedShelve, Key: point.String(), For: 20 * time.Minute}, 2*time.Minute), "shelved > shelved")
	expect(t, b.Tick(at(end)))
	expect(t, b.Tick(at(22*time.Minute)), "unshelved > unacknowledged")
	if v := b.Views()[0]; !v.Raised.Equal(at(22*time.Minute)) || !v.Until.IsZero() {
		t.Errorf("%+v", v)
	}
}

func TestShelfHoldsWhatItWasMadeFor(t *testing.T) {
	b := life.New()
	b.Raise(stall(0, bench.Caution), at(0))
	act(t, b, bench.AlertAct{Do: bench.DeedShelve, Key: point.String(), For: 8 * time.Hour}, time.Minute)
	expect(t, b.Return(point, at(2*time.Minute), ""), "returned > shelved")
	expect(t, b.Raise(stall(time.Hour, bench.Caution), at(time.Hour)), "raised > shelved")
	expect(t, b.Raise(stall(2*time.Hour, bench.Danger), at(2*time.Hour)), "returned > shelved", "raised > unacknowledged")
}

func TestShelvedAndOver(t *testing.T) {
	b := life.New()
	b.Raise(stall(0, bench.Danger), at(0))
	act(t, b, bench.AlertAct{Do: bench.DeedShelve, Key: point.String()}, 0)
	b.Return(point, at(time.Minute), "")
	expect(t, b.Tick(at(time.Hour)), "unshelved > normal")
}

func TestShelvedNewsComesBack(t *testing.T) {
	b := life.New()
	n := drop(0)
	b.Raise(n, at(0))
	act(t, b, bench.AlertAct{Do: bench.DeedShelve, Key: n.Key}, 0)
	expect(t, b.Tick(at(time.Hour)), "unshelved > returned to normal")
	if v := b.Views()[0]; !v.Raised.Equal(at(time.Hour)) {
		t.Errorf("it is not told again: %+v", v)
	}
}

// TestSeenNewsStaysAway: what was acknowledged, or closed by itself, is no news
// after a shelf or a time out of service.
func TestSeenNewsStaysAway(t *testing.T) {
	b := life.New()
	n := drop(0)
	b.Raise(n, at(0))
	act(t, b, bench.AlertAct{Do: bench.DeedAcknowledge, Key: n.Key}, time.Minute)
	act(t, b, bench.AlertAct{Do: bench.DeedShelve, Key: n.Key}, time.Hour)
	expect(t, b.Tick(at(2*time.Hour)), "unshelved > normal")
	b.Raise(drop(3*time.Hour), at(3*time.Hour))
	expect(t, b.Tick(at(3*time.Hour+life.KeepDanger)), "returned > normal")
	act(t, b, bench.AlertAct{Do: bench.DeedTakeOut, Key: "left.dropped"}, 4*time.Hour+life.KeepDanger)
	expect(t, act(t, b, bench.AlertAct{Do: bench.DeedPutBack, Key: "left.dropped"}, 5*time.Hour+life.KeepDanger), "put-back > normal")
}

func TestHold(t *testing.T) {
	b := life.New()
	other := stall(0, bench.Danger)
	other.Station, other.Key = "right", "right.stalled.1"
	b.Raise(stall(0, bench.Danger), at(0))
	b.Raise(other, at(0))
	expect(t, b.Hold("left", at(10*time.Minute), at(time.Minute)), "suppressed > suppressed by design")
	expect(t, b.Hold("left", at(10*time.Minute), at(2*time.Minute)))
	expect(t, b.Raise(drop(3*time.Minute), at(3*time.Minute)), "raised > suppressed by design")
	if v, _ := b.Find("left.dropped"); !v.Raised.IsZero() {
		t.Errorf("held back, and yet told: %+v", v)
	}
	expect(t, b.Hold("left", at(20*time.Minute), at(4*time.Minute)), "suppressed > suppressed by design", "suppressed > suppressed by design")
	expect(t, b.Tick(at(11*time.Minute)))
	expect(t, b.Tick(at(20*time.Minute)), "released > returned to normal", "released > unacknowledged")
	for _, v := range b.Views() {
		if v.Station == "left" && !v.Raised.Equal(at(20*time.Minute)) {
			t.Errorf("%s is not told at the end: %+v", v.Key, v)
		}
	}
}

func TestHandsOff(t *testing.T) {
	b := life.New()
	b.Raise(stall(0, bench.Danger), at(0))
	n := drop(0)
	b.Raise(n, at(0))
	b.Hold("left", at(time.Hour), at(time.Minute))
	expect(t, b.Return(point, at(2*time.Minute), "it moves"), "returned > normal")
	expect(t, b.Hold("left", time.Time{}, at(3*time.Minute)), "released > returned to normal")
	if v, _ := b.Find(n.Key); !v.Raised.Equal(at(0)) {
		t.Errorf("news told before the hold is told again: %+v", v)
	}
	expect(t, b.Raise(stall(4*time.Minute, bench.Danger), at(4*time.Minute)), "raised > unacknowledged")
}

func TestHeldAndAcknowledged(t *testing.T) {
	b := life.New()
	b.Hold("left", at(time.Hour), at(0))
	b.Raise(stall(0, bench.Danger), at(1))
	expect(t, act(t, b, bench.AlertAct{Do: bench.DeedAcknowledge, Key: point.String()}, time.Minute), "acknowledged > acknowledged")
	expect(t, b.Hold("left", time.Time{}, at(2*time.Minute)))
}

// TestShelvedAndHeld goes through both ends in both orders.
func TestShelvedAndHeld(t *testing.T) {
	start := func() *life.Book {
		b := life.New()
		b.Raise(stall(0, bench.Danger), at(-time.Second))
		act(t, b, bench.AlertAct{Do: bench.DeedShelve, Key: point.String(), For: 30 * time.Minute}, 0)
		return b
	}
	b := start()
	expect(t, b.Hold("left", at(time.Hour), at(time.Minute)))
	expect(t, b.Tick(at(30*time.Minute)), "unshelved > suppressed by design")
	if v := b.Views()[0]; !v.Until.Equal(at(time.Hour)) {
		t.Errorf("it is suppressed until %v", v.Until)
	}
	expect(t, b.Tick(at(time.Hour)), "released > unacknowledged")

	b = start()
	b.Hold("left", at(10*time.Minute), at(time.Minute))
	expect(t, b.Tick(at(10*time.Minute)))
	expect(t, b.Tick(at(30*time.Minute)), "unshelved > unacknowledged")
}

func TestOutOfService(t *testing.T) {
	b := life.New()
	b.Raise(stall(0, bench.Caution), at(0))
	expect(t, act(t, b, bench.AlertAct{Do: bench.DeedTakeOut, Key: point.String(), By: "Ben"}, 1), "taken-out > out of service")
	expect(t, b.Return(point, at(time.Minute), ""), "returned > out of service")
	expect(t, b.Hold("left", at(time.Hour), at(time.Minute)))
	expect(t, b.Raise(stall(2*time.Minute, bench.Danger), at(2*time.Minute)), "raised > out of service")
	expect(t, b.Tick(at(1000*time.Hour)))
	if v := b.Views(); len(v) != 1 || v[0].By != "Ben" || !v[0].Raised.IsZero() {
		t.Errorf("%+v", v)
	}
	expect(t, act(t, b, bench.AlertAct{Do: bench.DeedPutBack, Key: point.String()}, 1001*time.Hour), "put-back > unacknowledged")
}

func TestOldNewsCloses(t *testing.T) {
	b := life.New()
	caution := stall(0, bench.Caution)
	b.Raise(caution, at(0))
	b.Return(point, at(time.Hour), "")
	b.Raise(drop(0), at(0))
	expect(t, b.Tick(at(time.Hour+life.KeepNews-1)))
	expect(t, b.Tick(at(time.Hour+life.KeepNews)), "returned > normal")
	expect(t, b.Tick(at(life.KeepDanger)), "returned > normal")
}

func TestClockSetBack(t *testing.T) {
	day := 24 * time.Hour
	b := life.New()
	b.Raise(stall(0, bench.Danger), at(0))
	expect(t, b.Tick(at(-30*time.Second)))
	expect(t, b.Tick(at(-day)), "changed > unacknowledged")
	if v := b.Views()[0]; !v.Raised.Equal(at(-day)) {
		t.Errorf("its repeats wait for the old time: %+v", v)
	}
	act(t, b, bench.AlertAct{Do: bench.DeedShelve, Key: point.String(), For: time.Hour}, 0)
	expect(t, b.Tick(at(-30*time.Second)))
	expect(t, b.Tick(at(-day)), "unshelved > unacknowledged")
	b.Hold("left", at(time.Hour), at(0))
	expect(t, b.Tick(at(-day)), "released > unacknowledged")
	b.Hold("left", at(1000*day), at(0))
	expect(t, b.Tick(at(bench.MostHandsOn)), "released > unacknowledged")
}

func TestAcknowledgeStation(t *testing.T) {
	b := life.New()
	b.Raise(stall(0, bench.Danger), at(0))
	b.Raise(drop(0), at(0))
	b.Raise(bench.Alert{Kind: bench.AlertLedger, Severity: bench.Caution, Since: at(0)}, at(0))
	expect(t, act(t, b, bench.AlertAct{Do: bench.DeedAcknowledge, Key: "left"}, time.Minute), "acknowledged > normal", "acknowledged > acknowledged")
	expect(t, act(t, b, bench.AlertAct{Do: bench.DeedAcknowledge, Key: "bench"}, time.Minute), "acknowledged > acknowledged")
}

func TestRefusals(t *testing.T) {
	b := life.New()
	b.Raise(stall(0, bench.Danger), at(0))
	b.Return(point, at(1), "")
	b.Raise(stall(time.Minute, bench.Danger), at(time.Minute))
	act(t, b, bench.AlertAct{Do: bench.DeedShelve, Key: point.String(), By: "Anna"}, time.Minute)
	for _, tt := range []struct {
		act  bench.AlertAct
		is   error
		says string
	}{
		{bench.AlertAct{Do: "hide", Key: "x"}, nil, `"hide" is nothing to do about an alert: want one of acknowledge, shelve, unshelve, take-out, put-back`},
		{bench.AlertAct{Do: bench.DeedAcknowledge}, nil, "acknowledge: which alert? Name its key or its point"},
		{bench.AlertAct{Do: bench.DeedAcknowledge, Key: "x", For: 1}, nil, "acknowledge for 1ns: only shelving has a time"},
		{bench.AlertAct{Do: bench.DeedShelve, Key: "x", For: 13 * time.Hour}, nil, "shelve for 13h0m0s: want up to 12h0m0s"},
		{bench.AlertAct{Do: bench.DeedShelve, Key: "x", For: -1}, nil, "shelve for -1ns: want up to 12h0m0s"},
		{bench.AlertAct{Do: bench.DeedShelve, Key: "x", For: 1}, nil, "shelve for 1ns: want at least 1s"},
		{
			bench.AlertAct{Do: bench.DeedAcknowledge, Key: point.String()},
			life.ErrRefused,
			"refused: acknowledge left.stalled: it is shelved: unshelve it first (since 2026-03-09 21:01:00, by Anna, until 2026-03-09 21:16:00)",
		},
		{bench.AlertAct{Do: bench.DeedAcknowledge, Key: "left"}, life.ErrRefused, "refused: acknowledge left: nothing there is left to acknowledge"},
		{bench.AlertAct{Do: bench.DeedPutBack, Key: point.String()}, life.ErrRefused, "it is in service"},
		{bench.AlertAct{Do: bench.DeedShelve, Key: "left"}, life.ErrUnknown, "no such alert: left: there are left.stalled." + "1773090060000"},
		{bench.AlertAct{Do: bench.DeedAcknowledge, Key: "middle"}, life.ErrUnknown, "no such alert: middle: there are left.stalled.1773090060000"},
		{
			bench.AlertAct{Do: bench.DeedAcknowledge, Key: point.KeyAt(at(0))},
			life.ErrUnknown,
			"left.stalled.1773090000000 is over and done: the last one at that point is left.stalled.1773090060000 (shelved)",
		},
	} {
		_, err := b.Act(tt.act, at(time.Hour))
		if err == nil || !strings.Contains(err.Error(), tt.says) || tt.is != nil && !errors.Is(err, tt.is) {
			t.Errorf("%+v: %v, want %q", tt.act, err, tt.says)
		}
	}
	if _, err := life.New().Act(bench.AlertAct{Do: bench.DeedAcknowledge, Key: "x"}, at(0)); err == nil || err.Error() != "no such alert: x: there is none now" {
		t.Errorf("an empty book: %v", err)
	}
}

func TestViewsOrder(t *testing.T) {
	b := life.New()
	for i, s := range []bench.Severity{bench.Notice, bench.Danger, bench.Caution, bench.Danger} {
		a := stall(time.Duration(i)*time.Minute, s)
		a.Rule = string(rune('a' + i))
		a.Key = a.Rule
		b.Raise(a, at(time.Hour))
	}
	var got []string
	for _, v := range b.Views() {
		got = append(got, v.Key)
	}
	if d := cmp.Diff([]string{"d", "b", "c", "a"}, got); d != "" {
		t.Error(d)
	}
}

// TestEventsOfOneMoment have identities of their own.
func TestEventsOfOneMoment(t *testing.T) {
	b := life.New()
	a := stall(0, bench.Danger)
	ids := map[string]bool{}
	events := b.Raise(a, at(0))
	for i := range 5 {
		a.Text = strings.Repeat("x", i+1)
		events = append(events, b.Amend(a, at(0))...)
	}
	for _, e := range events {
		ids[e.ID()] = true
	}
	if len(events) != 6 || len(ids) != 6 {
		t.Errorf("%d events, %d identities", len(events), len(ids))
	}
}

var maybes = cmp.AllowUnexported(unit.Maybe[unit.Current]{}, unit.Maybe[time.Duration]{})
