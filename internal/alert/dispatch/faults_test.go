package dispatch_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/alert/dispatch/dispatchtest"
	"benchvigil/internal/bench"
)

// TestHang has one outlet hang, and one that heeds no context, beside a healthy one.
func TestHang(t *testing.T) {
	for name, answer := range map[string]func(chan struct{}) func(context.Context, *alert.Message) error{
		"heeds its context": func(chan struct{}) func(context.Context, *alert.Message) error { return hang },
		"heeds nothing": func(over chan struct{}) func(context.Context, *alert.Message) error {
			return func(context.Context, *alert.Message) error {
				<-over
				return nil
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				over := make(chan struct{})
				ill, well, store := &dispatchtest.Outlet{Answer: answer(over)}, &dispatchtest.Outlet{}, &dispatchtest.Store{}
				r := start(t, store, dispatch.Options{Outlets: map[string]dispatch.Outlet{"phone": ill, "mail": well}})
				for range 10 {
					at := time.Now()
					r.raise(one{station: "s1", deed: alert.Raised, since: at}.entry(t), one{station: "s1", deed: alert.Raised, since: at, outlet: "mail"}.entry(t))
					if got := well.Delivered(); len(got) == 0 || !got[len(got)-1].At.Equal(at) {
						t.Fatalf("%d delivered: the healthy outlet waits for the other", len(got))
					}
					time.Sleep(10 * time.Second)
				}
				if got := r.troubles(); len(got) != 1 || !strings.HasPrefix(got[0], "phone 1") {
					t.Errorf("%q: want one of the phone, after 15 s", got)
				}
				close(over)
				ill.Set(nil)
				time.Sleep(2 * time.Minute)
				if left := store.Unsent(); len(left) > 0 {
					t.Errorf("not sent: %v", left)
				}
				if len(ill.Twice()) > 0 {
					t.Errorf("on their way twice: %v", ill.Twice())
				}
				if got := r.troubles(); len(got) != 2 || !strings.HasSuffix(got[1], "<nil>") {
					t.Errorf("%q: want its end", got)
				}
			})
		})
	}
}

// TestPast has one delivery never come back: the others go past it.
func TestPast(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		over := make(chan struct{})
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		out.Set(func(_ context.Context, m *alert.Message) error {
			if m.Alert.Station == "s1" {
				<-over
			}
			return nil
		})
		r := start(t, store, dispatch.Options{Outlets: phone(out), Limits: map[string]dispatch.Limits{"phone": {Parallel: 1}}})
		r.raise(one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t), one{station: "s2", deed: alert.Raised, since: time.Now()}.entry(t))
		time.Sleep(15 * time.Second)
		if d := cmp.Diff([]string{"s2 dropped"}, titles(out.Delivered())); d != "" {
			t.Error(d)
		}
		close(over)
		synctest.Wait()
		if left := store.Unsent(); len(left) > 0 || len(out.Tries()) != 2 {
			t.Errorf("%v not sent after %d tries", left, len(out.Tries()))
		}
	})
}

// TestRestart stops the dispatcher in an outage, and starts another one on the same
// store: nothing is lost, the backlog is folded, and the tries go on.
func TestRestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{Answer: down}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(out)})
		since := time.Now()
		a := one{station: "s1", deed: alert.Raised, since: since}.entry(t)
		b := one{station: "s2", deed: alert.Raised, since: since}.entry(t)
		r.raise(a, b)
		time.Sleep(10 * time.Minute)
		r.raise(one{station: "s1", deed: alert.Returned, since: since}.entry(t))
		r.stop()
		tries := store.Row(a.Key).Attempts
		if tries < 3 {
			t.Fatalf("%d attempts are stored, want those made", tries)
		}
		time.Sleep(time.Hour)

		out.Set(nil)
		start(t, store, dispatch.Options{Outlets: phone(out)})
		time.Sleep(time.Minute)
		if left := store.Unsent(); len(left) > 0 {
			t.Errorf("not sent: %v", left)
		}
		said := titles(out.Delivered())
		slices.Sort(said)
		if d := cmp.Diff([]string{"Over: s1 dropped", "s2 dropped"}, said); d != "" {
			t.Error(d)
		}
		noted := store.Noted()
		if slices.Index(noted, a.Key) > slices.IndexFunc(noted, func(k string) bool { return strings.Contains(k, "returned") }) {
			t.Errorf("%q: the older message must be noted first", noted)
		}
	})
}

// TestCrash has the process end between sending and noting: the message is repeated
// under the same key.
func TestCrash(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(out)})
		e := one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t)
		store.Add(e)
		store.Fail(errors.New("disk I/O error"))
		r.Hand([]dispatch.Entry{e})
		time.Sleep(time.Hour)
		if n := len(out.Tries()); n != 1 {
			t.Errorf("%d tries within one process, want 1: it remembers", n)
		}
		r.stop() // as good as a crash: the store took nothing
		store.Fail(nil)
		start(t, store, dispatch.Options{Outlets: phone(out)})
		got := out.Delivered()
		if len(got) != 2 || got[0].Message.Key != got[1].Message.Key {
			t.Errorf("%q: want the same key twice", titles(got))
		}
		if left := store.Unsent(); len(left) > 0 {
			t.Errorf("not noted: %v", left)
		}
	})
}

// TestStoreBack has the store refuse for a while: what was sent is noted later, and
// not repeated.
func TestStoreBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		core, logs := observer.New(zapcore.InfoLevel)
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(out), Logger: zap.New(core)})
		store.Fail(errors.New("disk I/O error"))
		var entries []dispatch.Entry
		for _, s := range []string{"s1", "s2", "s3"} {
			entries = append(entries, one{station: s, deed: alert.Raised, since: time.Now()}.entry(t))
		}
		r.raise(entries...)
		time.Sleep(10 * time.Minute)
		store.Fail(nil)
		time.Sleep(2 * time.Minute)
		if left := store.Unsent(); len(left) > 0 || len(out.Tries()) != 3 {
			t.Errorf("%d tries, %v not noted", len(out.Tries()), left)
		}
		for _, text := range []string{"outbox cannot be written", "outbox is written again", "outbox cannot be read", "outbox is read again"} {
			if n := logs.FilterMessage(text).Len(); n != 1 {
				t.Errorf("%q is logged %d times, want once", text, n)
			}
		}
	})
}

// TestParted sends from memory, and notes it once the store has the entry after all.
func TestParted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(out)})
		e := one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t)
		r.Parted([]dispatch.Entry{e})
		synctest.Wait()
		if got := out.Delivered(); len(got) != 1 || !got[0].Message.Parted {
			t.Fatalf("%+v: want it delivered, and said to be parted", got)
		}
		e.Raised = time.Now()
		r.raise(e)
		if n := len(out.Tries()); n != 1 || !store.Row(e.Key).Sent.Equal(time.Now()) {
			t.Errorf("%d tries, row %+v: want it noted and not repeated", n, store.Row(e.Key))
		}
	})
}

// TestPartedQueue holds that a message without a store takes the place of one with.
func TestPartedQueue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{Answer: down}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(out), Queue: 2})
		r.raise(one{station: "s1", deed: alert.Raised, since: time.Now(), sev: bench.Notice}.entry(t),
			one{station: "s2", deed: alert.Raised, since: time.Now()}.entry(t))
		time.Sleep(1500 * time.Millisecond)
		r.Parted([]dispatch.Entry{one{station: "s3", deed: alert.Raised, since: time.Now()}.entry(t)})
		r.Parted([]dispatch.Entry{one{station: "s4", deed: alert.Raised, since: time.Now()}.entry(t)})
		r.Parted([]dispatch.Entry{one{station: "s5", deed: alert.Raised, since: time.Now()}.entry(t)})
		if n := r.Status()[0].Dropped; n == 0 {
			t.Error("nothing is said to be dropped, with room for two")
		}
		out.Set(nil)
		time.Sleep(3 * time.Minute)
		said := titles(out.Delivered())
		slices.Sort(said)
		if d := cmp.Diff([]string{"s1 dropped", "s2 dropped", "s3 dropped", "s4 dropped"}, said); d != "" {
			t.Error(d)
		}
	})
}

func TestRate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(out), Limits: map[string]dispatch.Limits{"phone": {Rate: 0.5, Burst: 3}}})
		began := time.Now()
		var entries []dispatch.Entry
		for i := range 10 {
			sev := bench.Notice
			if i == 9 {
				sev = bench.Danger
			}
			entries = append(entries, one{station: "s" + string(rune('a'+i)), deed: alert.Raised, since: time.Now(), sev: sev}.entry(t))
		}
		r.raise(entries...)
		time.Sleep(time.Minute)
		var at []time.Duration
		for _, d := range out.Delivered() {
			at = append(at, d.At.Sub(began))
		}
		s := time.Second
		if d := cmp.Diff([]time.Duration{0, 0, 0, 2 * s, 4 * s, 6 * s, 8 * s, 10 * s, 12 * s, 14 * s}, at); d != "" {
			t.Error(d)
		}
		if first := titles(out.Delivered())[:3]; !slices.Contains(first, "sj dropped") {
			t.Errorf("%q: the danger goes first", first)
		}
	})
}

func TestRetryAfter(t *testing.T) {
	for asked, want := range map[time.Duration]time.Duration{time.Minute: time.Minute, time.Hour: 5 * time.Minute} {
		synctest.Test(t, func(t *testing.T) {
			out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
			out.Set(func(context.Context, *alert.Message) error {
				out.Set(nil)
				return alert.Later(errors.New("too many"), asked)
			})
			r := start(t, store, dispatch.Options{Outlets: phone(out)})
			began := time.Now()
			e := one{station: "s1", deed: alert.Raised, since: began}.entry(t)
			r.raise(e)
			if row := store.Row(e.Key); !row.Due.Equal(began.Add(want)) || row.Why != "too many" {
				t.Errorf("%+v: want it due in %v", row, want)
			}
			r.raise(one{station: "s2", deed: alert.Raised, since: began}.entry(t)) // must wait too
			time.Sleep(10 * time.Minute)
			got := out.Delivered()
			if len(got) != 2 || got[0].At.Sub(began) != want {
				t.Errorf("asked for %v: %d delivered, the first after %v", asked, len(got), got[0].At.Sub(began))
			}
		})
	}
}

// TestRefused tells what no try can mend from what one may.
func TestRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		out.Set(func(context.Context, *alert.Message) error {
			return alert.Permanent(errors.New("no such subscription"))
		})
		r := start(t, store, dispatch.Options{Outlets: phone(out)})
		e := one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t)
		r.raise(e)
		row := store.Row(e.Key)
		if !row.Gone.Equal(time.Now()) || row.Why != "no such subscription" || len(out.Tries()) != 1 {
			t.Errorf("%+v after %d tries: want it given up at once", row, len(out.Tries()))
		}
		bad := one{station: "s2", deed: alert.Raised, since: time.Now()}.entry(t)
		bad.Body = "{"
		r.raise(bad)
		if row := store.Row(bad.Key); row.Gone.IsZero() {
			t.Error("what cannot be read is not given up")
		}
		out.Set(nil)
		r.raise(one{station: "s3", deed: alert.Raised, since: time.Now()}.entry(t))
		if d := cmp.Diff([]string{"phone 0s no such subscription", "phone 0s <nil>"}, r.troubles()); d != "" {
			t.Error(d)
		}
		time.Sleep(time.Hour)
		if n := len(out.Tries()); n != 2 || r.Status()[0].GivenUp != 2 {
			t.Errorf("%d tries, %+v", n, r.Status()[0])
		}
	})
}

// TestPoison has one message fail for ever: the others get through.
func TestPoison(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		out.Set(func(_ context.Context, m *alert.Message) error {
			if m.Alert.Station == "s1" {
				panicOn(m.Deed == alert.Changed)
				return errors.New("internal server error")
			}
			return nil
		})
		r := start(t, store, dispatch.Options{Outlets: phone(out)})
		r.raise(one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t))
		for range 20 {
			at := time.Now()
			r.raise(one{station: "s2", deed: alert.Raised, since: at, sev: bench.Notice}.entry(t))
			time.Sleep(time.Minute)
			got := out.Delivered()
			if len(got) == 0 || got[len(got)-1].At.Sub(at) > 35*time.Second || got[len(got)-1].At.Before(at) {
				t.Fatalf("a message waits for one that fails: %v", got)
			}
		}
		if n := len(out.Tries()); n < 40 || n > 120 {
			t.Errorf("%d tries", n)
		}
	})
}

func panicOn(now bool) {
	if now {
		panic("a bug")
	}
}

func TestPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		out.Set(func(_ context.Context, m *alert.Message) error {
			panicOn(m.Alert.Station == "s1")
			return nil
		})
		r := start(t, store, dispatch.Options{Outlets: phone(out)})
		e := one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t)
		r.raise(e, one{station: "s2", deed: alert.Raised, since: time.Now()}.entry(t))
		if row := store.Row(e.Key); row.Gone.IsZero() || len(out.Delivered()) != 1 {
			t.Errorf("%+v, %d delivered", row, len(out.Delivered()))
		}
	})
}

// TestStop holds that the end drains nothing and loses nothing.
func TestStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{Answer: hang}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(out)})
		var keys []string
		for _, s := range []string{"s1", "s2", "s3", "s4"} {
			e := one{station: s, deed: alert.Raised, since: time.Now()}.entry(t)
			keys = append(keys, e.Key)
			r.raise(e)
		}
		began := time.Now()
		r.stop()
		if took := time.Since(began); took != 0 {
			t.Errorf("stopping took %v", took)
		}
		if d := cmp.Diff(keys, store.Unsent()); d != "" {
			t.Error(d)
		}
		if row := store.Row(keys[0]); row.Notes != 0 {
			t.Errorf("%+v: what was broken off is not the outlet's failure", row)
		}
	})
}

// TestClock steps the wall clock while messages wait, and over a restart.
func TestClock(t *testing.T) {
	for _, step := range []time.Duration{24 * time.Hour, -24 * time.Hour} {
		synctest.Test(t, func(t *testing.T) {
			var stepped atomic.Int64
			now := func() time.Time { return time.Now().Add(time.Duration(stepped.Load())) }
			out, store := &dispatchtest.Outlet{Answer: down}, &dispatchtest.Store{}
			r := start(t, store, dispatch.Options{Outlets: phone(out), Now: now})
			a := one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t)
			r.raise(a)
			time.Sleep(5 * time.Second)
			stepped.Store(int64(step))
			b := one{station: "s2", deed: alert.Raised, since: time.Now()}.entry(t)
			b.Raised, b.Due = now(), now()
			r.raise(b)
			time.Sleep(time.Minute)
			tries := len(out.Tries())
			if tries < 4 || tries > 60 {
				t.Errorf("%v: %d tries in a minute", step, tries)
			}
			r.stop()
			stepped.Store(int64(2 * step))
			out.Set(nil)
			start(t, store, dispatch.Options{Outlets: phone(out), Now: now})
			time.Sleep(31 * time.Second)
			if left := store.Unsent(); len(left) > 0 {
				t.Errorf("%v: not sent after 31 s: %v", step, left)
			}
		})
	}
}

// TestSpill holds that what there is no room for stays in the store, in order.
func TestSpill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{Answer: down}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{
			Outlets: phone(out), Queue: 10,
			Limits: map[string]dispatch.Limits{"phone": {Verbatim: true, Parallel: 1}},
		})
		var keys []string
		for range 100 {
			e := one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t)
			keys = append(keys, e.Key)
			r.raise(e)
			time.Sleep(time.Second)
		}
		if s := r.Status()[0]; !s.Spilled || s.Queue > 10 {
			t.Errorf("%+v: want no more than 10", s)
		}
		out.Set(nil)
		for range 40 { // these come while there is room again, and more in the store
			e := one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t)
			keys = append(keys, e.Key)
			r.raise(e)
			time.Sleep(time.Second)
		}
		time.Sleep(10 * time.Minute)
		var got []string
		for _, d := range out.Delivered() {
			got = append(got, d.Message.Key)
		}
		if d := cmp.Diff(keys, got); d != "" {
			t.Error(d)
		}
		if s := r.Status()[0]; s.Spilled || s.Dropped != 0 {
			t.Errorf("%+v", s)
		}
	})
}

// TestOvertaken holds that a late raise does not follow the end of its alert.
func TestOvertaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(out)})
		since := time.Now()
		late := one{station: "s1", deed: alert.Raised, since: since}.entry(t)
		r.raise(one{station: "s1", deed: alert.Returned, since: since}.entry(t))
		r.raise(late)
		if d := cmp.Diff([]string{"Over: s1 dropped"}, titles(out.Delivered())); d != "" || len(store.Unsent()) > 0 {
			t.Error(d, store.Unsent())
		}
	})
}

func TestReplace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bad, good, store := &dispatchtest.Outlet{Answer: down}, &dispatchtest.Outlet{}, &dispatchtest.Store{}
		r := start(t, store, dispatch.Options{Outlets: phone(bad)})
		a := one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t)
		r.raise(a)
		time.Sleep(20 * time.Minute)
		began := time.Now()
		r.Replace(phone(good), nil)
		synctest.Wait()
		if got := good.Delivered(); len(got) != 1 || !got[0].At.Equal(began) {
			t.Errorf("%v: want it tried at once", got)
		}

		r.Replace(map[string]dispatch.Outlet{"mail": good}, nil)
		b := one{station: "s2", deed: alert.Raised, since: time.Now()}.entry(t)
		r.raise(b)
		time.Sleep(12 * time.Hour)
		if left := store.Unsent(); len(left) != 1 || len(r.Status()) != 1 {
			t.Fatalf("%v: want one that waits for its outlet; %+v", left, r.Status())
		}
		r.Replace(phone(good), nil)
		synctest.Wait()
		if left := store.Unsent(); len(left) != 0 {
			t.Errorf("%v: the outlet is back", left)
		}

		r.Replace(nil, nil)
		c := one{station: "s3", deed: alert.Raised, since: time.Now()}.entry(t)
		r.raise(c)
		time.Sleep(26 * time.Hour)
		if row := store.Row(c.Key); row.Gone.IsZero() {
			t.Errorf("%+v: want it given up after a day", row)
		}
	})
}

// TestMany holds that what waits for one outlet does not hide another's from a look
// at the store.
func TestMany(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bad, good, store := &dispatchtest.Outlet{Answer: down}, &dispatchtest.Outlet{}, &dispatchtest.Store{}
		for range 3000 {
			store.Add(one{station: "s1", deed: alert.Raised, since: time.Now()}.entry(t))
			time.Sleep(time.Millisecond)
		}
		store.Add(one{station: "s1", deed: alert.Raised, since: time.Now(), outlet: "mail"}.entry(t))
		start(t, store, dispatch.Options{Outlets: map[string]dispatch.Outlet{"phone": bad, "mail": good}})
		if n := len(good.Delivered()); n != 1 {
			t.Errorf("%d delivered at the start, want 1", n)
		}
	})
}

// TestManyNotes folds hundreds of messages into one: all are noted, the one that
// told them last, and what is being noted is not sent again.
func TestManyNotes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out, store := &dispatchtest.Outlet{}, &dispatchtest.Store{}
		since := time.Now()
		var last string
		for range 600 {
			e := one{station: "s1", deed: alert.Repeated, since: since}.entry(t)
			last = e.Key
			store.Add(e)
			time.Sleep(time.Second)
		}
		slow := &slowStore{Store: store}
		d := dispatch.New(dispatch.Options{Store: slow, Outlets: phone(out)})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- d.Run(ctx) }()
		time.Sleep(10 * time.Minute)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		noted := store.Noted()
		if n := len(out.Tries()); n != 1 || len(noted) != 600 || noted[599] != last {
			t.Errorf("%d tries, %d noted, the last %q", n, len(noted), noted[len(noted)-1])
		}
	})
}

// slowStore takes a second for each note.
type slowStore struct{ *dispatchtest.Store }

func (s *slowStore) Sent(ctx context.Context, key string, at time.Time) error {
	time.Sleep(time.Second)
	return s.Store.Sent(ctx, key, at)
}
