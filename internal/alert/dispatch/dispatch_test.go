package dispatch_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/alert/dispatch/dispatchtest"
	"benchvigil/internal/bench"
)

var errDown = errors.New("connection refused")

func down(context.Context, *alert.Message) error { return errDown }

func hang(ctx context.Context, _ *alert.Message) error {
	<-ctx.Done()
	return ctx.Err()
}

// rig is a dispatcher between fakes, within a bubble.
type rig struct {
	*dispatch.Dispatcher
	t     *testing.T
	store *dispatchtest.Store
	stop  func()

	mu      sync.Mutex
	trouble []string
}

// start starts a dispatcher on the store. What it says of trouble is kept.
func start(t *testing.T, store *dispatchtest.Store, o dispatch.Options) *rig {
	t.Helper()
	r := &rig{t: t, store: store}
	o.Store = store
	o.Trouble = func(outlet string, since time.Time, err error) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.trouble = append(r.trouble, fmt.Sprintf("%s %v %v", outlet, time.Since(since).Round(time.Second), err))
	}
	if o.Rand == nil {
		o.Rand = func() float64 { return 0.999 }
	}
	r.Dispatcher = dispatch.New(o)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := r.Run(ctx); err != nil {
			t.Errorf("run: %v", err)
		}
	}()
	r.stop = sync.OnceFunc(func() {
		cancel()
		<-done
	})
	t.Cleanup(r.stop)
	synctest.Wait()
	return r
}

func (r *rig) troubles() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.trouble)
}

// raise commits entries and hands them over, as the glue does.
func (r *rig) raise(entries ...dispatch.Entry) {
	r.t.Helper()
	r.store.Add(entries...)
	r.Hand(entries)
	synctest.Wait()
}

// one is what a message is made of.
type one struct {
	station string
	deed    alert.Deed
	since   time.Time
	sev     bench.Severity
	to      string
	outlet  string
}

func (o one) alertKey() string {
	return bench.AlertPoint{Station: o.station, Kind: bench.AlertDropped}.KeyAt(o.since)
}

// entry makes a row of now.
func (o one) entry(t *testing.T) dispatch.Entry {
	t.Helper()
	if o.sev == "" {
		o.sev = bench.Danger
	}
	if o.outlet == "" {
		o.outlet = "phone"
	}
	m := alert.Message{Deed: o.deed, To: o.to, Made: time.Now()}
	m.Alert.Alert = bench.Alert{
		Key: o.alertKey(), Kind: bench.AlertDropped, Station: o.station, Severity: o.sev, Since: o.since, Title: o.station + " dropped",
	}
	if o.deed == alert.Returned {
		m.Alert.Returned = time.Now()
	}
	m.Key = o.alertKey() + "." + string(o.deed) + "." + fmt.Sprint(time.Now().UnixMilli()) + o.to + o.outlet
	body, err := m.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return dispatch.Entry{Key: m.Key, Station: o.station, Outlet: o.outlet, Body: body, Raised: time.Now(), Due: time.Now()}
}

// titles are what was delivered, in order.
func titles(got []dispatchtest.Delivery) (out []string) {
	for _, d := range got {
		out = append(out, d.Message.Title())
	}
	return out
}

func phone(o *dispatchtest.Outlet) map[string]dispatch.Outlet {
	return map[string]dispatch.Outlet{"phone": o}
}

func TestStraight(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(out)})
		e := one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t)
		at := time.Now()
		r.raise(e)
		got := out.Delivered()
		if len(got) != 1 || got[0].Message.Key != e.Key || !got[0].At.Equal(at) {
			t.Fatalf("%+v: want one delivery, at once", got)
		}
		row := store.Row(e.Key)
		if !row.Sent.Equal(at) || row.Notes != 1 {
			t.Errorf("%+v: want it noted once", row)
		}
		r.Hand([]dispatch.Entry{e}) // handed late, or twice
		time.Sleep(5 * time.Minute)
		if n := len(out.Tries()); n != 1 {
			t.Errorf("%d tries, want 1", n)
		}
		if s := r.Status(); len(s) != 1 || s[0].Sent != 1 || !s[0].LastSent.Equal(at) || s[0].To != "a fake" || s[0].Queue != 0 {
			t.Errorf("%+v", s)
		}
	})
}

// TestOutage has 10 boards drop and come back every three minutes for two hours,
// two of them being down at the end, and the phone unreachable.
func TestOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{Answer: down}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(out)})
		alerts := map[string]bool{}
		for range 40 {
			since := time.Now()
			for i := range 10 {
				o := one{station: fmt.Sprintf("s%d", i), deed: alert.Raised, since: since, to: "kim"}
				alerts[o.alertKey()] = true
				r.raise(o.entry(t))
			}
			time.Sleep(time.Minute)
			for i := range 10 {
				r.raise(one{station: fmt.Sprintf("s%d", i), deed: alert.Returned, since: since, to: "kim"}.entry(t))
			}
			time.Sleep(2 * time.Minute)
		}
		for i := range 2 {
			o := one{station: fmt.Sprintf("s%d", i), deed: alert.Raised, since: time.Now(), to: "kim"}
			alerts[o.alertKey()] = true
			r.raise(o.entry(t))
		}
		time.Sleep(2 * time.Minute)
		tries := len(out.Tries())
		if tries < 2*60*60/60 || tries > 2*60*60/15 {
			t.Errorf("%d tries in two hours, want one in 15 to 60 s", tries)
		}
		if s := r.Status()[0]; s.FailingSince.IsZero() || s.LastError != errDown.Error() || s.Queue > 20 {
			t.Errorf("%+v", s)
		}

		out.Set(nil)
		time.Sleep(5 * time.Minute)
		if left := store.Unsent(); len(left) > 0 {
			t.Errorf("not sent: %v", left)
		}
		got := out.Delivered()
		for _, standing := range []string{"s0 dropped", "s1 dropped"} {
			if !slices.Contains(titles(got), standing) {
				t.Errorf("%s stands, and no message says so", standing)
			}
		}
		if len(got) > 2+5 {
			t.Errorf("%d messages for 402 alerts, want the two that stand and a few: %q", len(got), titles(got))
		}
		for key := range alerts {
			if !told(got, key) {
				t.Errorf("%s was never told", key)
			}
		}
		for _, d := range got {
			if d.Message.Quiet() {
				t.Errorf("%s does not ring, and was never told", d.Message.Title())
			}
		}
		if n := len(r.troubles()); n != 2 {
			t.Errorf("%q: want trouble told once, and its end", r.troubles())
		}
		if len(out.Twice()) > 0 {
			t.Errorf("on their way twice: %v", out.Twice())
		}
	})
}

// told reports an alert that some message tells.
func told(got []dispatchtest.Delivery, key string) bool {
	return slices.ContainsFunc(got, func(d dispatchtest.Delivery) bool {
		return d.Message.Alert.Key == key ||
			slices.ContainsFunc(d.Message.Missed, func(x alert.Missed) bool { return x.Key == key })
	})
}
