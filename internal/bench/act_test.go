package bench_test

import (
	"strings"
	"testing"
	"time"

	"benchvigil/internal/bench"
)

func TestAlertActs(t *testing.T) {
	for _, tc := range []struct {
		act  bench.AlertAct
		want string // part of the error, empty for none
	}{
		{bench.AlertAct{Do: bench.DeedAcknowledge, Key: "s1.dropped.1", By: "kim"}, ""},
		{bench.AlertAct{Do: bench.DeedShelve, Key: " s1.dropped "}, ""},
		{bench.AlertAct{Do: bench.DeedShelve, Key: "s1.dropped", For: 12 * time.Hour}, ""},
		{bench.AlertAct{Do: bench.DeedShelve, Key: "s1.dropped", For: 13 * time.Hour}, "want 1s to 12h"},
		{bench.AlertAct{Do: bench.DeedShelve, Key: "s1.dropped", For: time.Millisecond}, "want 1s to 12h"},
		{bench.AlertAct{Do: bench.DeedShelve, Key: "s1.dropped", For: -time.Hour}, "want 1s to 12h"},
		{bench.AlertAct{Do: bench.DeedTakeOut, Key: "s1.dropped", For: time.Hour}, "only shelve lasts"},
		{bench.AlertAct{Do: "ack", Key: "s1.dropped"}, `"ack" is nothing that can be done about an alert: there are acknowledge, shelve, unshelve, take-out, put-back`},
		{bench.AlertAct{Do: bench.DeedPutBack, Key: "  "}, "no alert is named"},
		{bench.AlertAct{Do: bench.DeedPutBack, Key: "x", By: "a\nb"}, "printable"},
		{bench.AlertAct{Do: bench.DeedPutBack, Key: "x", By: strings.Repeat("ö", 65)}, "up to 64"},
		{bench.AlertAct{Do: bench.DeedPutBack, Key: "x", By: strings.Repeat("ö", 64)}, ""},
	} {
		err := tc.act.Tidy().Check()
		if (err == nil) != (tc.want == "") || err != nil && !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%+v: %v, want %q", tc.act, err, tc.want)
		}
	}
	if a := (bench.AlertAct{Do: bench.DeedShelve, Key: " k ", By: " kim "}).Tidy(); a.For != bench.DefaultShelve || a.Key != "k" || a.By != "kim" {
		t.Errorf("tidied to %+v", a)
	}
}

// Every kind is listed once.
func TestAlertKinds(t *testing.T) {
	seen := map[bench.AlertKind]bool{}
	for _, k := range bench.AlertKinds() {
		if seen[k] || k == "" || k == bench.AlertTest {
			t.Errorf("%q", k)
		}
		seen[k] = true
	}
}
