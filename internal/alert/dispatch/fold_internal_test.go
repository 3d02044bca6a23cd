package dispatch

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/alert"
	"benchvigil/internal/bench"
)

// waiting makes items of lines "STATION OCCURRENCE DEED [TO]", the first the
// oldest, all of them stale.
func waiting(t *testing.T, lines ...string) (out []*item) {
	t.Helper()
	t0 := time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)
	for i, line := range lines {
		f := strings.Fields(line)
		since := t0.Add(time.Duration(f[1][0]) * time.Minute)
		m := alert.Message{Key: line, Deed: alert.Deed(f[2])}
		m.Alert.Alert = bench.Alert{
			Key: bench.AlertPoint{Station: f[0], Kind: bench.AlertDropped}.KeyAt(since), Kind: bench.AlertDropped,
			Station: f[0], Severity: bench.Danger, Since: since, Title: f[0] + f[1],
		}
		if m.Deed == alert.Returned {
			m.Alert.Returned = since.Add(time.Second)
		}
		if m.Deed == alert.Taken {
			m.Alert.By = "kim"
		}
		if len(f) > 3 {
			m.To = f[3]
		}
		out = append(out, &item{
			seq: uint64(i), key: line, m: m, stored: true, weight: weigh(&m), since: t0,
			untold: m.Deed == alert.Raised || m.Deed == alert.Escalated,
		})
	}
	return out
}

// show writes an item as "KEY <- RIDERS; missed: …".
func show(items []*item) (out []string) {
	for _, it := range items {
		s := it.key
		for i, r := range it.rides {
			s += map[bool]string{true: " <- ", false: ", "}[i == 0] + r.key
			if r.ended {
				s += "!"
			}
		}
		for i, x := range it.m.Missed {
			s += map[bool]string{true: "; missed ", false: ", "}[i == 0] + x.Title
			if !x.Over.IsZero() {
				s += " over"
			}
			if x.By != "" {
				s += " by " + x.By
			}
		}
		out = append(out, s)
	}
	return out
}

func TestFold(t *testing.T) {
	for _, tt := range []struct {
		name    string
		waiting []string
		want    []string
	}{
		{"alone", []string{"s1 a raised"}, []string{"s1 a raised"}},
		{"raised and over", []string{"s1 a raised", "s1 a returned"}, []string{"s1 a returned <- s1 a raised; missed s1a"}},
		{
			"repeats",
			[]string{"s1 a raised", "s1 a repeated", "s1 a changed", "s1 a escalated"},
			[]string{"s1 a escalated <- s1 a raised, s1 a repeated, s1 a changed; missed s1a"},
		},
		{"told before, over", []string{"s1 a changed", "s1 a returned"}, []string{"s1 a returned <- s1 a changed"}},
		{"taken", []string{"s1 a raised", "s1 a taken"}, []string{"s1 a taken <- s1 a raised; missed s1a"}},
		{"the end before, by a stepped clock", []string{"s1 a returned", "s1 a raised"}, []string{"s1 a returned <- s1 a raised; missed s1a"}},
		{"others untouched", []string{"s1 a raised", "s2 a raised", "s3 a returned"}, []string{"s1 a raised", "s2 a raised", "s3 a returned"}},
		{"two receivers", []string{"s1 a raised kim", "s1 a raised lee", "s1 a returned kim"}, []string{"s1 a raised lee", "s1 a returned kim <- s1 a raised kim; missed s1a"}},
		{
			"an occurrence before, never told",
			[]string{"s1 a raised", "s1 a returned", "s1 b raised"},
			[]string{"s1 b raised <- s1 a raised, s1 a returned!; missed s1a over"},
		},
		{
			"an occurrence before, told as standing",
			[]string{"s1 a repeated", "s1 a returned", "s1 b raised"},
			[]string{"s1 a returned <- s1 a repeated; missed s1a", "s1 b raised"},
		},
		{
			"came and went, too many",
			[]string{"s1 a raised", "s1 a returned", "s2 b raised", "s2 b taken", "s3 c raised", "s3 c returned", "s4 d raised", "s5 e returned"},
			[]string{
				"s3 c returned <- s3 c raised, s1 a raised, s1 a returned!, s2 b raised, s2 b taken; missed s1a over, s2b by kim, s3c",
				"s4 d raised", "s5 e returned",
			},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			items := waiting(t, tt.waiting...)
			got := fold(items, items[0].since.Add(time.Minute), time.Minute, 2)
			if d := cmp.Diff(sortedLines(tt.want), sortedLines(show(got))); d != "" {
				t.Error(d)
			}
			for i := 1; i < len(got); i++ {
				if got[i-1].seq > got[i].seq {
					t.Error("the order is lost")
				}
			}
			keys := 0
			for _, it := range got {
				keys += 1 + len(it.rides)
			}
			if keys != len(tt.waiting) {
				t.Errorf("%d messages are left of %d", keys, len(tt.waiting))
			}
			again := fold(got, items[0].since.Add(time.Minute), time.Minute, 2)
			if len(again) != len(got) {
				t.Error("folding again folds more")
			}
		})
	}
}

func sortedLines(lines []string) map[string]bool {
	out := map[string]bool{}
	for _, l := range lines {
		out[l] = true
	}
	return out
}

func TestFoldWaits(t *testing.T) {
	items := waiting(t, "s1 a raised", "s1 a returned")
	if got := fold(items, items[0].since.Add(59*time.Second), time.Minute, 2); len(got) != 2 {
		t.Errorf("%q: folded before it is stale", show(got))
	}
	items = waiting(t, "s1 a raised", "s1 a escalated")
	items[1].again = items[0].since.Add(time.Hour)
	if got := fold(items, items[0].since.Add(time.Minute), time.Minute, 2); len(got) != 2 {
		t.Errorf("%q: what is planned for later is no carrier", show(got))
	}
}

func TestPick(t *testing.T) {
	items := waiting(t, "s1 a returned", "s2 a raised", "s2 a changed", "s3 a raised")
	now := items[0].since
	busy, failing := map[thread]*item{}, false
	want := func(key string, wait time.Duration) {
		t.Helper()
		it, at := pick(items, busy, now, failing)
		got := ""
		if it != nil {
			got = it.key
		}
		if got != key || it == nil && !at.IsZero() && at.Sub(now) != wait {
			t.Errorf("%q at %v, want %q", got, at, key)
		}
	}
	want("s2 a raised", 0)
	busy[items[1].thread()] = items[1] // its change has to wait for it
	want("s3 a raised", 0)
	failing, items[3].tries = true, 1 // it may be the one that fails
	want("s1 a returned", 0)
	items[3].again = now.Add(time.Second)
	want("s1 a returned", 0)
	items[0].again = now.Add(2 * time.Second)
	want("", time.Second)
}

func TestBackoff(t *testing.T) {
	for tries, most := range map[int]time.Duration{1: time.Second, 2: 2 * time.Second, 5: 16 * time.Second, 6: 30 * time.Second, 1000: 30 * time.Second} {
		if got := backoff(tries, 30*time.Second, 1); got != most {
			t.Errorf("%d: up to %v, want %v", tries, got, most)
		}
		if got := backoff(tries, 30*time.Second, 0); got != 0 {
			t.Errorf("%d: from %v", tries, got)
		}
	}
}

func TestLeft(t *testing.T) {
	now := time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		name        string
		raised, due time.Duration
		attempts    int
		want        time.Duration
		waited      time.Duration
	}{
		{"due", -time.Minute, 0, 0, 0, 0},
		{"long due", -time.Hour, -time.Hour, 0, 0, time.Hour},
		{"planned", 0, 10 * time.Minute, 0, 10 * time.Minute, 0},
		{"put off", -time.Minute, 20 * time.Second, 3, 20 * time.Second, time.Minute},
		{"put off, then the clock went back a day", 24 * time.Hour, 24*time.Hour + time.Second, 3, 30 * time.Second, 0},
		{"raised, then the clock went back a day", 24 * time.Hour, 24 * time.Hour, 0, 0, 0},
	} {
		e := Entry{Raised: now.Add(tt.raised), Due: now.Add(tt.due), Attempts: tt.attempts}
		if got := left(e, now, 30*time.Second); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
		if got := waited(e, now); got != tt.waited {
			t.Errorf("%s: waited %v, want %v", tt.name, got, tt.waited)
		}
	}
}

func TestMemory(t *testing.T) {
	m := newMemory(3)
	for i := range 10 {
		m.put(fmt.Sprint(i), i%2 == 0)
		m.put(fmt.Sprint(i), i%2 == 0)
	}
	if len(m.of) != 3 || len(m.order) != 3 {
		t.Errorf("%v: want 3", m.of)
	}
	if even, ok := m.get("8"); !ok || !even {
		t.Error("8 is forgotten")
	}
	if _, ok := m.get("6"); ok {
		t.Error("6 is not forgotten")
	}
}

// TestSettled holds that what the store has yet to hear of is not sent again, even
// if it is remembered no more.
func TestSettled(t *testing.T) {
	d := New(Options{Store: struct{ Store }{}})
	l := newLane("phone", d)
	l.replace(struct{ Outlet }{}, Limits{}.filled())
	d.notes.add(note{kind: sent, key: "a"}, note{kind: failed, key: "b"})
	l.hand([]Entry{{Key: "a", Body: "{}"}, {Key: "b", Body: "{}"}}, true)
	if len(l.queue) != 1 || l.queue[0].key != "b" {
		t.Errorf("%d wait, want b only", len(l.queue))
	}
}
