package bench_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
)

// What an event says of a watch is read back as it was written.
func TestWatchNews(t *testing.T) {
	at := time.Date(2026, 3, 2, 21, 14, 5, 120e6, time.UTC)
	goal := bench.Goal{Kind: bench.GoalReach, Mode: bench.Running, Within: 2 * time.Hour}
	for _, tc := range []struct {
		kind bench.EventType
		want *bench.WatchNews
	}{
		{bench.WatchArmed, &bench.WatchNews{Station: "left/1", Armed: &bench.WatchView{Goal: goal, By: "kim", Armed: at}}},
		{bench.WatchDone, &bench.WatchNews{Station: "left/1"}},
		{bench.WatchFailed, &bench.WatchNews{Station: "left/1"}},
		{bench.RunDropped, nil},
	} {
		line, err := bench.Event{Station: "left/1", Type: tc.kind, Time: at, Data: bench.EventData{By: "kim", Goal: goal.String()}}.CloudEvent("north end")
		if err != nil {
			t.Fatal(err)
		}
		got, err := bench.ParseWatchNews(line)
		if diff := cmp.Diff(tc.want, got); diff != "" || err != nil {
			t.Errorf("%s: %v (-want +got):\n%s", tc.kind, err, diff)
		}
	}
}

func FuzzWatchNews(f *testing.F) {
	f.Add([]byte(`{"source":"/bench/b/station/s1","type":"benchvigil.watch.armed","time":"2026-03-02T21:14:05.120Z","data":{"by":"kim","goal":"stay 3h"}}`))
	f.Add([]byte(`{"source":"/bench/b/station/%zz","type":"benchvigil.watch.done"}`))
	f.Add([]byte(`{"type":"benchvigil.watch.armed","data":{"goal":"stay -1"}`))
	f.Fuzz(func(t *testing.T, line []byte) {
		n, err := bench.ParseWatchNews(line)
		if n != nil && (err != nil || n.Armed != nil && n.Armed.Goal == (bench.Goal{})) {
			t.Errorf("%q: %+v, %v", line, n, err)
		}
	})
}
