package bench_test

import (
	"testing"
	"time"

	"benchvigil/internal/bench"
)

func TestStateWords(t *testing.T) {
	moment := time.Date(2026, 3, 2, 2, 0, 0, 0, time.UTC)
	at := func(t time.Time) string { return t.Format(time.TimeOnly) }
	for _, tc := range []struct {
		v    bench.AlertView
		want string
		can  []bench.AlertDeed
	}{
		{bench.AlertView{State: bench.AlertUnacknowledged}, "not acknowledged", []bench.AlertDeed{bench.DeedAcknowledge, bench.DeedShelve, bench.DeedTakeOut}},
		{bench.AlertView{State: bench.AlertAcknowledged, By: "kim"}, "kim sees to it", []bench.AlertDeed{bench.DeedShelve, bench.DeedTakeOut}},
		{bench.AlertView{State: bench.AlertAcknowledged}, "somebody sees to it", []bench.AlertDeed{bench.DeedShelve, bench.DeedTakeOut}},
		{bench.AlertView{State: bench.AlertReturned, Returned: moment}, "over since 02:00:00, not acknowledged", []bench.AlertDeed{bench.DeedAcknowledge, bench.DeedShelve, bench.DeedTakeOut}},
		{bench.AlertView{State: bench.AlertReturned, Returned: moment, Alert: bench.Alert{Passing: true}}, "not acknowledged", []bench.AlertDeed{bench.DeedAcknowledge, bench.DeedShelve, bench.DeedTakeOut}},
		{bench.AlertView{State: bench.AlertShelved, Until: moment, By: "kim"}, "shelved until 02:00:00, by kim", []bench.AlertDeed{bench.DeedShelve, bench.DeedUnshelve, bench.DeedTakeOut}},
		{bench.AlertView{State: bench.AlertSuppressed, Until: moment}, "held back: hands on until 02:00:00", []bench.AlertDeed{bench.DeedAcknowledge, bench.DeedShelve, bench.DeedTakeOut}},
		{bench.AlertView{State: bench.AlertSuppressed}, "held back: its cause is told", []bench.AlertDeed{bench.DeedAcknowledge, bench.DeedShelve, bench.DeedTakeOut}},
		{bench.AlertView{State: bench.AlertOutOfService, Changed: moment}, "out of service since 02:00:00", []bench.AlertDeed{bench.DeedPutBack}},
		{bench.AlertView{State: bench.AlertNormal}, "normal", []bench.AlertDeed{bench.DeedShelve, bench.DeedTakeOut}},
	} {
		if got := tc.v.StateWords(at); got != tc.want {
			t.Errorf("%s: %q, want %q", tc.v.State, got, tc.want)
		}
		var can []bench.AlertDeed
		for _, d := range bench.AlertDeeds() {
			if tc.v.Can(d) {
				can = append(can, d)
			}
		}
		if len(can) != len(tc.can) {
			t.Errorf("%s: can %v, want %v", tc.v.State, can, tc.can)
			continue
		}
		for i := range can {
			if can[i] != tc.can[i] {
				t.Errorf("%s: can %v, want %v", tc.v.State, can, tc.can)
			}
		}
	}
}
