package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"

	"benchvigil/internal/access"
	"benchvigil/internal/alert/load"
	"benchvigil/internal/api"
	"benchvigil/internal/app"
	"benchvigil/internal/bench"
)

// keeper is a daemon that keeps canned alerts.
type keeper struct {
	acts  []bench.AlertAct
	views []bench.AlertView
	sick  bool
}

func standing(p bench.AlertPoint, s bench.AlertState) bench.AlertView {
	since := time.Date(2026, 3, 2, 21, 14, 5, 0, time.Local)
	return bench.AlertView{
		Alert: bench.Alert{Key: p.KeyAt(since), Kind: p.Kind, Rule: p.Rule, Station: p.Station, Severity: bench.Danger, Title: "Left: " + string(p.Kind), Do: "Look at it.", Since: since},
		State: s, Changed: since, By: "kim", Until: since,
	}
}

func (k *keeper) start(t *testing.T) string {
	t.Helper()
	outlets := []bench.OutletView{{Name: "phones", Kind: "web-push", Delivered: 3}, {Name: "mail", Kind: "email"}}
	if k.sick {
		outlets[1].Failing, outlets[1].Error = time.Now(), "connection refused"
	}
	s := httptest.NewServer(atThisComputer(api.New(api.Options{
		Snapshots: func() []bench.Snapshot { return []bench.Snapshot{{Station: "left"}} }, Logger: zap.NewNop(),
		Alerts:    func() []bench.AlertView { return k.views },
		Act:       func(a bench.AlertAct) error { k.acts = append(k.acts, a); return nil },
		TestAlert: func(context.Context, string, string) ([]bench.OutletView, error) { return outlets, nil },
		Outlets:   func() []bench.OutletView { return outlets },
		Load: func(context.Context, time.Time, time.Time) (any, error) {
			return load.Report{Rings: 12, People: 2, Measures: []load.Measure{{Name: "most in ten minutes", Value: "3", Target: "≤ 20", Source: "ISA-18.2", Verdict: load.Kept}}}, nil
		},
	})))
	t.Cleanup(s.Close)
	return s.URL
}

// atThisComputer is where nobody logs in.
func atThisComputer(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next.ServeHTTP(w, r.WithContext(access.With(r.Context(), access.Who{Role: access.Work, Local: true})))
	})
}

func some() []bench.AlertView {
	return []bench.AlertView{
		standing(bench.AlertPoint{Station: "left", Kind: bench.AlertDropped}, bench.AlertUnacknowledged),
		standing(bench.AlertPoint{Station: "left", Kind: bench.AlertDraw, Rule: "high"}, bench.AlertAcknowledged),
		standing(bench.AlertPoint{Station: "left", Kind: bench.AlertDrifting}, bench.AlertReturned),
		standing(bench.AlertPoint{Kind: bench.AlertLedger}, bench.AlertOutOfService),
	}
}

func TestListAlerts(t *testing.T) {
	k := &keeper{views: some()}
	url := k.start(t)
	var b bytes.Buffer
	if err := app.ListAlerts(t.Context(), app.AlertsOptions{URL: url, Out: &b}); err != nil {
		t.Fatal(err)
	}
	want := `ALERT                  SEVERITY  SINCE                WHAT                    STATE                                       DO
left.dropped           danger    2026-03-02 21:14:05  Left: dropped           not acknowledged                            Look at it.
left.draw.high         danger    2026-03-02 21:14:05  Left: draw              kim sees to it                              Look at it.
left.current-drifting  danger    2026-03-02 21:14:05  Left: current-drifting  not acknowledged                            Look at it.
bench.ledger           danger    2026-03-02 21:14:05  Left: ledger            out of service since 2026-03-02 21:14:05, by kim  Look at it.
`
	fields := func(s string) []string { return strings.Fields(s) }
	if d := cmp.Diff(fields(want), fields(b.String())); d != "" {
		t.Errorf("%s in\n%s", d, b.String())
	}
	b.Reset()
	if err := app.ListAlerts(t.Context(), app.AlertsOptions{URL: url, Out: &b, JSON: true}); err != nil {
		t.Fatal(err)
	}
	var got []bench.AlertView
	if err := json.Unmarshal(b.Bytes(), &got); err != nil || len(got) != 4 {
		t.Errorf("%v in %s", err, b.String())
	}
	k.views = nil
	b.Reset()
	if err := app.ListAlerts(t.Context(), app.AlertsOptions{URL: url, Out: &b}); err != nil || b.String() != "no alert stands\n" {
		t.Errorf("%v %q", err, b.String())
	}
}

func TestActOnAlerts(t *testing.T) {
	for _, tc := range []struct {
		name string
		word string
		deed bench.AlertDeed
		want []string // the points that are acted on
		err  string
	}{
		{"a point", "left.dropped", bench.DeedAcknowledge, []string{"left.dropped"}, ""},
		{"a key", some()[0].Key, bench.DeedShelve, []string{"left.dropped"}, ""},
		{"the beginning", "left.dro", bench.DeedAcknowledge, []string{"left.dropped"}, ""},
		{"too little of it", "left.d", bench.DeedAcknowledge, nil, `"left.d" begins several alerts, write more of it: left.dropped, left.draw.high`},
		{"a station", "left", bench.DeedAcknowledge, []string{"left.dropped", "left.current-drifting"}, ""},
		{"a station, nothing fits", "left", bench.DeedPutBack, nil, "none of its alerts can be changed by put-back: left.dropped ("},
		{"the bench", "bench", bench.DeedPutBack, []string{"bench.ledger"}, ""},
		{"none", "right", bench.DeedAcknowledge, nil, `there is no alert "right": there are left.dropped, left.draw.high`},
		{"a normal point", "right.stalled", bench.DeedTakeOut, []string{"right.stalled"}, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			k := &keeper{views: some()}
			var b bytes.Buffer
			err := app.ActOnAlerts(t.Context(), app.ActOptions{URL: k.start(t), Out: &b, Act: bench.AlertAct{Do: tc.deed, Key: tc.word, By: "kim"}})
			if tc.err != "" {
				if misused := tc.name != "a station, nothing fits"; errors.Is(err, app.ErrCommand) != misused || !strings.Contains(err.Error(), tc.err) || len(k.acts) > 0 {
					t.Errorf("%v, did %v", err, k.acts)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			var did []string
			for _, a := range k.acts {
				if a.By != "kim" || a.Do != tc.deed || (a.For != 0) != (tc.deed == bench.DeedShelve) {
					t.Errorf("did %+v", a)
				}
				point, _, _ := strings.Cut(a.Key, ".177")
				did = append(did, point)
			}
			if d := cmp.Diff(tc.want, did); d != "" {
				t.Error(d)
			}
			if strings.Count(b.String(), "\n") != len(did) {
				t.Errorf("said %q", b.String())
			}
		})
	}
	err := app.ActOnAlerts(t.Context(), app.ActOptions{URL: "http://127.0.0.1:1", Act: bench.AlertAct{Do: bench.DeedShelve, Key: "x", For: 13 * time.Hour}})
	if !errors.Is(err, app.ErrCommand) || !strings.Contains(err.Error(), "want 1s to 12h") {
		t.Errorf("13 hours: %v", err)
	}
}

func TestOutletsAndLoad(t *testing.T) {
	url := (&keeper{}).start(t)
	var b bytes.Buffer
	if err := app.TestOutlets(t.Context(), app.TestOptions{AlertsOptions: app.AlertsOptions{URL: url, Out: &b}}); err != nil || !strings.Contains(b.String(), "phones  web-push  nothing sent so far  0        3 ") {
		t.Errorf("%v\n%s", err, b.String())
	}
	sick := (&keeper{sick: true}).start(t)
	if err := app.TestOutlets(t.Context(), app.TestOptions{AlertsOptions: app.AlertsOptions{URL: sick, Out: &b}}); !errors.Is(err, app.ErrOutlet) || !strings.Contains(err.Error(), "mail: connection refused") {
		t.Errorf("%v", err)
	}
	if err := app.TestOutlets(t.Context(), app.TestOptions{AlertsOptions: app.AlertsOptions{URL: url, Out: &b}, Outlet: "fax"}); !errors.Is(err, app.ErrCommand) || !strings.Contains(err.Error(), "there are phones, mail") {
		t.Errorf("%v", err)
	}
	b.Reset()
	if err := app.ShowLoad(t.Context(), app.StatsOptions{AlertsOptions: app.AlertsOptions{URL: url, Out: &b}, Days: 7}); err != nil || !strings.Contains(b.String(), "2 people: 12 rings at 0 points") || !strings.Contains(b.String(), "most in ten minutes  3      ≤ 20    ISA-18.2  kept") {
		t.Errorf("%v\n%s", err, b.String())
	}
	if err := app.ShowLoad(t.Context(), app.StatsOptions{Days: 0}); !errors.Is(err, app.ErrCommand) {
		t.Errorf("no days: %v", err)
	}
	if got := app.OfferOutlets(t.Context(), url); !slices.Equal(got, []string{"phones", "mail"}) {
		t.Errorf("offered %v", got)
	}
}

// A status begins with what stands, and an older daemon, or one without alerts,
// shows its stations all the same.
func TestStatusBeginsWithAlerts(t *testing.T) {
	url := (&keeper{views: some()}).start(t)
	var b bytes.Buffer
	if err := app.ShowStatus(t.Context(), app.StatusOptions{URL: url, Out: &b}); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(b.String(), "\n")
	if lines[0] != "DANGER: Left: dropped, since 2026-03-02 21:14:05: not acknowledged" || !strings.HasPrefix(lines[3], "STATION") {
		t.Errorf("said\n%s", b.String())
	}
	if got, want := app.OfferAlerts(t.Context(), url, bench.DeedAcknowledge), []string{"left", "left.current-drifting", "left.dropped"}; !slices.Equal(got, want) {
		t.Errorf("offered %v, want %v", got, want)
	}
	none := httptest.NewServer(api.New(api.Options{Snapshots: func() []bench.Snapshot { return nil }, Logger: zap.NewNop()}))
	defer none.Close()
	b.Reset()
	if err := app.ShowStatus(t.Context(), app.StatusOptions{URL: none.URL, Out: &b}); err != nil || !strings.HasPrefix(b.String(), "STATION") {
		t.Errorf("%v\n%s", err, b.String())
	}
	if err := app.ListAlerts(t.Context(), app.AlertsOptions{URL: none.URL}); !errors.Is(err, app.ErrCommand) || !strings.Contains(err.Error(), "no alerts are kept") {
		t.Errorf("%v", err)
	}
	broken := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusBadGateway) }))
	defer broken.Close()
	if err := app.ListAlerts(t.Context(), app.AlertsOptions{URL: broken.URL}); err == nil {
		t.Error("a broken daemon was taken for a good one")
	}
}
