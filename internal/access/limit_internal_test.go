package access

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"
)

func TestLimiterBacksOffAndForgets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var l limiter
		for range freeFailures - 1 {
			l.tried("a", time.Now())
		}
		if w := l.wait("a", time.Now()); w > 0 {
			t.Errorf("the first tries wait %v", w)
		}
		for want := time.Second; want < longestWait; want *= 2 {
			l.tried("a", time.Now())
			if w := l.wait("a", time.Now()); w != want {
				t.Errorf("wait %v, want %v", w, want)
			}
			time.Sleep(want)
			if w := l.wait("a", time.Now()); w != 0 {
				t.Errorf("still %v after the wait", w)
			}
		}
		time.Sleep(forgetAfter + time.Second)
		l.tried("a", time.Now())
		if w := l.wait("a", time.Now()); w != 0 {
			t.Errorf("nothing was forgotten: %v", w)
		}
		for i := range 2 * mostKeys {
			l.tried(fmt.Sprint(i), time.Now())
		}
		if len(l.seen) > mostKeys {
			t.Errorf("%d keys are remembered", len(l.seen))
		}
	})
}
