package app_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"

	"benchvigil/internal/app"
	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
)

// The load of a ledger counts what rang in the days that are asked for.
func TestLoadOfALedger(t *testing.T) {
	dir := t.TempDir()
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, Logger: zaptest.NewLogger(t)})
	if err != nil {
		t.Fatal(err)
	}
	p := bench.AlertPoint{Station: "left", Kind: bench.AlertDropped}
	for _, age := range []time.Duration{time.Hour, 3 * time.Hour, 9 * 24 * time.Hour} {
		at := time.Now().Add(-age).Truncate(time.Millisecond)
		v := bench.AlertView{
			Alert: bench.Alert{Key: p.KeyAt(at), Kind: p.Kind, Station: p.Station, Severity: bench.Danger, Title: "Left went down", Since: at},
			State: bench.AlertUnacknowledged, Stands: true, Changed: at, Raised: at,
		}
		if err := l.Append(t.Context(), []bench.Event{bench.AlertEvent(bench.AlertWasRaised, at, v, "")}); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	for days, want := range map[int]string{7: "1 person: 2 rings at 1 points", 30: "1 person: 3 rings at 1 points\nthat is since the ledger began, 9 days ago"} {
		var b bytes.Buffer
		if err := app.ShowLoad(t.Context(), app.StatsOptions{AlertsOptions: app.AlertsOptions{Out: &b}, Days: days, Data: dir}); err != nil || !strings.Contains(b.String(), want) {
			t.Errorf("%d days: %v\n%s", days, err, b.String())
		}
	}
	if err := app.ShowLoad(t.Context(), app.StatsOptions{Days: 7, Data: t.TempDir()}); !errors.Is(err, app.ErrLedger) {
		t.Errorf("a folder without a ledger: %v", err)
	}
}
