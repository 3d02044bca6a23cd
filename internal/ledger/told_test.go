package ledger_test

import (
	"database/sql"
	"path/filepath"
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
)

// Pages of events join to all of them, also where more come meanwhile; so does
// what is read after a place.
func TestTold(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	ctx := t.Context()
	add := func(i int) {
		kind := []bench.EventType{bench.RunStarted, bench.RunDropped, bench.ModeChanged}[i%3]
		must(t, l.Append(ctx, []bench.Event{event([]string{"s1", "s2"}[i%2], kind, start.Add(time.Duration(i)*time.Minute), uint64(i+1))}))
	}
	for i := range 12 {
		add(i)
	}
	q := ledger.ToldQuery{Newest: 5}
	for want := int64(12); want > 0; {
		for _, e := range all(t, l.Told(ctx, q)) {
			if e.Seq != want || !e.Time.Equal(start.Add(time.Duration(want-1)*time.Minute)) {
				t.Fatalf("event %d of %v, want %d", e.Seq, e.Time, want)
			}
			q.Before = e.Seq
			want--
		}
		add(20 + int(want))
	}
	for _, tt := range []struct {
		name string
		q    ledger.ToldQuery
		want int
	}{
		{"of a station", ledger.ToldQuery{Query: ledger.Query{Station: "s1", To: start.Add(11 * time.Minute)}, Newest: 100}, 6},
		{"of one type", ledger.ToldQuery{Query: ledger.Query{To: start.Add(11 * time.Minute)}, Type: "benchvigil.run.dropped", Newest: 100}, 4},
		{"of all below", ledger.ToldQuery{Query: ledger.Query{To: start.Add(11 * time.Minute)}, Type: "benchvigil.run", Newest: 100}, 8},
		{"of half a word", ledger.ToldQuery{Type: "benchvigil.ru", Newest: 100}, 0},
		{"of a time", ledger.ToldQuery{Query: ledger.Query{From: start.Add(3 * time.Minute), To: start.Add(4 * time.Minute)}, Newest: 100}, 2},
		{"nothing of nobody", ledger.ToldQuery{Query: ledger.Query{Station: "s9"}, Newest: 100}, 0},
	} {
		if got := all(t, l.Told(ctx, tt.q)); len(got) != tt.want {
			t.Errorf("%s: %d events, want %d", tt.name, len(got), tt.want)
		}
	}
	last, err := l.LastTold(ctx)
	must(t, err)
	since := all(t, l.ToldSince(ctx, 3, 4))
	if last != 15 || len(since) != 4 || since[0].Seq != 4 || since[3].Seq != 7 {
		t.Errorf("last %d, after the third %+v", last, since)
	}
	must(t, l.Close())
	damage(t, dir)
}

// damage changes an event behind the store's back: it is named, by its number too,
// and the others follow.
func damage(t *testing.T, dir string) {
	t.Helper()
	db, err := sql.Open("sqlite3", filepath.Join(dir, "ledger.db"))
	must(t, err)
	for _, q := range []string{`DROP TRIGGER event_fixed`, `UPDATE event SET count = 99 WHERE seq = 5`} {
		_, err = db.ExecContext(t.Context(), q)
		must(t, err)
	}
	must(t, db.Close())
	r, err := ledger.OpenReader(t.Context(), dir)
	must(t, err)
	defer r.Close() //nolint:errcheck // only read
	n, bad := 0, int64(0)
	for e, err := range r.Told(t.Context(), ledger.ToldQuery{Newest: 100}) {
		if n++; err != nil {
			bad = e.Seq
		}
	}
	if n != 15 || bad != 5 {
		t.Errorf("%d events, number %d is damaged", n, bad)
	}
}
