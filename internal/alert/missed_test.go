package alert_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/alert"
	"benchvigil/internal/bench"
)

func at(h, m, s int) time.Time { return time.Date(2026, 3, 2, h, m, s, 0, time.Local) }

func missed(station string, since, over time.Time) alert.Missed {
	p := bench.AlertPoint{Station: station, Kind: bench.AlertDropped}
	return alert.Missed{Key: p.KeyAt(since), Title: station + " dropped", Since: since, Over: over}
}

func TestMissed(t *testing.T) {
	own := missed("s1", at(21, 3, 5), time.Time{})
	for _, tt := range []struct {
		name   string
		deed   alert.Deed
		missed []alert.Missed
		text   string
		quiet  bool
	}{
		{"nothing", alert.Returned, nil, "Reseat it.", true},
		{"its own raise", alert.Returned, []alert.Missed{own}, "Reseat it. While this outlet was down: it began 21:03:05.", false},
		{"an acknowledged one", alert.Taken, []alert.Missed{own}, "Reseat it. While this outlet was down: it began 21:03:05.", true},
		{
			"others, the same often", alert.Raised,
			[]alert.Missed{
				missed("s2", at(20, 0, 0), at(20, 1, 0)), missed("s2", at(20, 5, 0), at(20, 6, 0)), missed("s3", at(20, 2, 0), at(20, 3, 0)),
				{Key: "s4.stalled.1", Title: "s4 stalls", Since: at(20, 7, 0), By: "kim"},
			},
			"Reseat it. While this outlet was down: s2 dropped (2 times, 20:00:00 to 20:05:00, over 20:06:00); " +
				"s3 dropped (20:02:00, over 20:03:00); s4 stalls (20:07:00, taken by kim).", false,
		},
		{
			"many, and the day before", alert.Raised,
			[]alert.Missed{
				missed("s2", at(1, 0, 0), time.Time{}), missed("s3", at(20, 0, 0), time.Time{}), missed("s4", at(20, 0, 0), time.Time{}),
				missed("s5", at(20, 0, 0), time.Time{}), missed("s6", at(20, 0, 0), time.Time{}), missed("s7", at(20, 0, 0), time.Time{}),
			},
			"Reseat it. While this outlet was down: s2 dropped (2 Mar 01:00:00); s3 dropped (20:00:00); s4 dropped (20:00:00); " +
				"s5 dropped (20:00:00); 2 more.", false,
		},
		{"a key without a moment", alert.Raised, []alert.Missed{{Key: "odd", Title: "Odd", Since: at(21, 0, 0)}}, "Reseat it. While this outlet was down: Odd (21:00:00).", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m := alert.Message{Deed: tt.deed, Made: at(21, 30, 0), Missed: tt.missed}
			m.Alert.Key, m.Alert.Text = own.Key, "Reseat it."
			if d := cmp.Diff(tt.text, m.Text()); d != "" {
				t.Error(d)
			}
			if m.Quiet() != tt.quiet {
				t.Errorf("quiet: %v", m.Quiet())
			}
		})
	}
}

// What need not ring says in a few words what has become of the alert.
func TestQuietWords(t *testing.T) {
	began := time.Date(2026, 3, 2, 21, 14, 5, 0, time.Local)
	v := bench.AlertView{Alert: bench.Alert{Text: "Check leads.", Since: began}, By: "kim", Returned: began.Add(time.Minute), Until: began.Add(time.Hour)}
	for _, tc := range []struct {
		deed  alert.Deed
		state bench.AlertState
		want  string
	}{
		{alert.Raised, bench.AlertUnacknowledged, "Check leads."},
		{alert.Returned, bench.AlertReturned, "It stood from 21:14:05 to 21:15:05."},
		{alert.Taken, bench.AlertAcknowledged, "kim sees to it."},
		{alert.Taken, bench.AlertShelved, "Put off until 22:14:05 by kim."},
		{alert.Taken, bench.AlertOutOfService, "Out of service by kim."},
	} {
		v.State = tc.state
		if got := (&alert.Message{Deed: tc.deed, Alert: v, Made: began}).Text(); got != tc.want {
			t.Errorf("%s, %s: %q, want %q", tc.deed, tc.state, got, tc.want)
		}
	}
}
