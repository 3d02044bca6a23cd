package ledger_test

import (
	"database/sql"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/ledger"
)

func TestDeeds(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	for i := range 5 {
		must(t, l.Note(t.Context(), ledger.Deed{At: start.Add(time.Duration(i) * time.Minute), Who: []string{"kim", "lee"}[i%2], From: "192.0.2.30", Did: "acknowledged", On: "s1.dropped", Outcome: "done"}))
	}
	page, err := l.Deeds(t.Context(), ledger.DeedQuery{Limit: 2})
	must(t, err)
	if len(page) != 2 || !page[0].At.Equal(start.Add(4*time.Minute)) {
		t.Fatalf("newest first, two: %+v", page)
	}
	rest, err := l.Deeds(t.Context(), ledger.DeedQuery{Before: page[1].Seq})
	must(t, err)
	if len(rest) != 3 || rest[0].Seq >= page[1].Seq {
		t.Errorf("the rest: %+v", rest)
	}
	kims, err := l.Deeds(t.Context(), ledger.DeedQuery{Who: "kim", From: start.Add(time.Minute), To: start.Add(3 * time.Minute)})
	must(t, err)
	if len(kims) != 1 {
		t.Errorf("kim's: %+v", kims)
	}
	must(t, l.Note(t.Context(), ledger.Deed{At: start, On: "s10.dropped"}, ledger.Deed{At: start, On: "s1"}, ledger.Deed{At: start, On: "/api/v1/stations/s1/recording"}))
	for station, want := range map[string]int{"s1": 7, "s10": 1, "s": 0} {
		if of, err := l.Deeds(t.Context(), ledger.DeedQuery{Station: station}); err != nil || len(of) != want {
			t.Errorf("of station %s: %d, %v, want %d", station, len(of), err, want)
		}
	}
	must(t, l.Close())

	db, err := sql.Open("sqlite3", filepath.Join(dir, "ledger.db"))
	must(t, err)
	defer db.Close()
	for _, q := range []string{`DELETE FROM audit`, `UPDATE audit SET who = 'nobody'`} {
		if _, err := db.ExecContext(t.Context(), q); err == nil || !strings.Contains(err.Error(), "never") {
			t.Errorf("%s: %v", q, err)
		}
	}
}
