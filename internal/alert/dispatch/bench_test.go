package dispatch_test

import (
	"context"
	"testing"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/alert/dispatch/dispatchtest"
	"benchvigil/internal/bench"
)

// BenchmarkHand measures from Hand to Deliver, with nothing else waiting.
func BenchmarkHand(b *testing.B) {
	arrived := make(chan time.Time)
	out := &dispatchtest.Outlet{Answer: func(context.Context, *alert.Message) error {
		arrived <- time.Now()
		return nil
	}}
	d := dispatch.New(dispatch.Options{
		Store: &dispatchtest.Store{}, Outlets: map[string]dispatch.Outlet{"phone": out},
		Limits: map[string]dispatch.Limits{"phone": {Rate: 1e9, Burst: 1e9}},
	})
	ctx, cancel := context.WithCancel(b.Context())
	done := make(chan error)
	go func() { done <- d.Run(ctx) }()
	m := alert.Message{Deed: alert.Raised}
	m.Alert.Alert = bench.Alert{Kind: bench.AlertDropped, Station: "s1", Severity: bench.Danger, Title: "left: dropped at 21:14:05"}
	var took time.Duration
	n := 0
	for b.Loop() {
		n++
		at := time.Now()
		m.Alert.Key = m.Alert.Point().KeyAt(time.Unix(0, int64(n)*1e6))
		m.Key = m.Alert.Key + ".phone"
		body, err := m.Encode()
		if err != nil {
			b.Fatal(err)
		}
		began := time.Now()
		d.Parted([]dispatch.Entry{{Key: m.Key, Outlet: "phone", Body: body, Raised: at, Due: at}})
		took += (<-arrived).Sub(began)
	}
	b.ReportMetric(float64(took.Nanoseconds())/float64(n), "ns/delivery")
	cancel()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
}
