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
		a := []gate{{"a", freeFailures, true}}
		for range freeFailures {
			if w := l.enter(a, time.Now()); w > 0 {
				t.Errorf("the first tries wait %v", w)
			}
		}
		for want := time.Second; want < longestWait; want *= 2 {
			if w := l.enter(a, time.Now()); w != want {
				t.Errorf("wait %v, want %v", w, want)
			}
			time.Sleep(want)
			if w := l.enter(a, time.Now()); w != 0 {
				t.Errorf("still %v after the wait", w)
			}
		}
		time.Sleep(forgetAfter + time.Second)
		for range freeFailures {
			if w := l.enter(a, time.Now()); w != 0 {
				t.Errorf("nothing was forgotten: %v", w)
			}
		}
		for i := range 2 * mostKeys {
			l.enter([]gate{{fmt.Sprint(i), 1, true}}, time.Now())
		}
		if len(l.seen) > mostKeys {
			t.Errorf("%d keys are remembered", len(l.seen))
		}
	})
}

// A login of one's own takes back its own try, and no guess at others.
func TestPassingForgivesOnlyOnesOwn(t *testing.T) {
	var l limiter
	now := time.Unix(1_800_000_000, 0)
	network := gate{"from", freeFailures, false}
	for range freeFailures - 1 {
		l.enter([]gate{{"other", freeFailures, true}, network}, now)
	}
	mine := []gate{{"mine", freeFailures, true}, network}
	l.enter(mine, now)
	l.passed(mine)
	if n := l.seen["from"].n; n != freeFailures-1 {
		t.Errorf("the network has %d failures, want %d", n, freeFailures-1)
	}
	if _, still := l.seen["mine"]; still || l.seen["other"].n != freeFailures-1 {
		t.Errorf("left: %v", l.seen)
	}
}
