package inhibit_test

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"benchvigil/internal/inhibit"
	"benchvigil/internal/inhibit/inhibittest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// rig is a keeper that runs, inside a synctest bubble.
type rig struct {
	t      *testing.T
	system inhibittest.System
	wanted atomic.Bool
	logs   *observer.ObservedLogs
	stop   func()
}

func newRig(t *testing.T) *rig {
	t.Helper()
	core, logs := observer.New(zapcore.InfoLevel)
	r := &rig{t: t, logs: logs}
	k, err := inhibit.New(inhibit.Options{Wanted: r.wanted.Load, Hold: r.system.Hold, Logger: zap.New(core)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- k.Run(ctx) }()
	r.stop = func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	}
	synctest.Wait()
	return r
}

// after lets time pass and compares the counts of the system.
func (r *rig) after(d time.Duration, asked, given, held int) {
	r.t.Helper()
	time.Sleep(d)
	synctest.Wait()
	if a, g, h := r.system.Counts(); a != asked || g != given || h != held {
		r.t.Errorf("asked %d, given %d, held %d, want %d, %d, %d", a, g, h, asked, given, held)
	}
}

func (r *rig) said(message string, times int) {
	r.t.Helper()
	if n := r.logs.FilterMessage(message).Len(); n != times {
		r.t.Errorf("said %d times %q, want %d", n, message, times)
	}
}

func TestHoldsWhileWanted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.after(time.Minute, 0, 0, 0)
		r.wanted.Store(true)
		r.after(2*time.Second, 1, 1, 1)
		r.after(time.Hour, 1, 1, 1)
		r.wanted.Store(false)
		r.after(2*time.Second, 1, 1, 0)
		r.wanted.Store(true)
		r.after(2*time.Second, 2, 2, 1)
		r.stop()
		r.after(0, 2, 2, 0)
		r.said("the computer is kept awake", 2)
		r.said("the computer may sleep again", 2)
	})
}

// A refusal is said once and asked again every minute.
func TestRefusalIsSaidOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.system.Refuse(errors.New("access denied"))
		r.wanted.Store(true)
		r.after(2*time.Second, 1, 0, 0)
		r.after(5*time.Minute, 6, 0, 0)
		r.said("the computer may go to sleep during a run", 1)
		r.system.Refuse(nil)
		r.after(time.Minute+2*time.Second, 7, 1, 1)
		r.stop()
		r.after(0, 7, 1, 0)
	})
}

func TestALockThatSticks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.wanted.Store(true)
		r.after(2*time.Second, 1, 1, 1)
		r.system.Stick(errors.New("bad descriptor"))
		r.stop()
		r.said("the computer stays awake", 1)
		r.said("the computer may sleep again", 0)
	})
}

func TestNobodySaysWhen(t *testing.T) {
	if _, err := inhibit.New(inhibit.Options{}); err == nil {
		t.Error("New accepted options without Wanted")
	}
}
