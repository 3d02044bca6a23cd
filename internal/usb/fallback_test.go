package usb_test

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"benchvigil/internal/usb"
)

var errRefused = errors.New("operation not permitted")

const (
	saidPolling = "no uevents, polling sysfs instead"
	saidSilent  = "uevents do not arrive, polling sysfs too"
)

func TestPollsWithoutUevents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.opts.Listen = nil
		r.opts.Rescan = time.Hour
		r.run()
		r.take()
		r.wait(1010 * time.Millisecond)
		r.tree.Plug("1-1", r.device(running, ""))
		r.wait(90 * time.Millisecond)
		r.want("1.100 s1 add 1-1 1209:0004")
		r.tree.Unplug("1-1")
		r.wait(100 * time.Millisecond)
		r.want("1.200 s1 remove 1-1")
	})
}

// Refused uevents are said once, tried again, and used when they come.
func TestPollsWhereUeventsAreRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.script.Refuse(errRefused)
		r.run()
		r.take()
		r.wait(10010 * time.Millisecond)
		r.tree.Plug("1-1", r.device(running, ""))
		r.wait(90 * time.Millisecond)
		r.want("10.100 s1 add 1-1 1209:0004")
		if n := r.logged(saidPolling); n != 1 {
			t.Errorf("said %d times that sysfs is polled, want once", n)
		}
		r.script.Refuse(nil)
		r.wait(time.Minute)
		if r.logged("uevents arrive again") != 1 {
			t.Error("did not say that uevents arrive again")
		}
		r.tree.Unplug("1-1")
		r.wait(100 * time.Millisecond)
		r.want() // not polling any more
		r.say("remove", "1-1")
		r.want("70.200 s1 remove 1-1")
	})
}

// A source that stays refused is not asked all the time.
func TestRefusedIsAskedLessOften(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		asked := 0
		r.opts.Listen = func() (usb.Receiver, error) {
			asked++
			return nil, errRefused
		}
		r.run()
		r.wait(time.Hour)
		r.stop()
		if asked < 60 || asked > 70 {
			t.Errorf("asked %d times in an hour, want about once a minute", asked)
		}
	})
}

// A receiver that breaks is closed and opened again; meanwhile sysfs is polled.
func TestReceiverBreaks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t)
		r.script.Refuse(errRefused)
		r.script.Fail(errRefused)
		r.wait(510 * time.Millisecond)
		if n := r.script.Closed(); n != 1 {
			t.Errorf("closed %d times, want once", n)
		}
		r.tree.Plug("1-1", r.device(running, ""))
		r.wait(90 * time.Millisecond)
		r.want("0.600 s1 add 1-1 1209:0004")
		r.script.Refuse(nil)
		r.wait(10 * time.Second)
		r.wait(50 * time.Millisecond)
		r.unplug("1-1")
		r.want("10.650 s1 remove 1-1")
		r.stop()
		if n := r.script.Closed(); n != 2 {
			t.Errorf("closed %d times after the end, want twice", n)
		}
	})
}

// A socket that opens but stays silent, as in a container of a user's own, is
// found out by two changes that nothing announced.
func TestSilentUevents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.opts.Traffic = 1130 * time.Millisecond
		r.run()
		r.take()
		r.wait(time.Second)
		r.tree.Plug("1-1", r.device(running, ""))
		r.wait(2510 * time.Millisecond)
		r.want("3.000 s1 add 1-1 1209:0004") // by the rescan
		r.tree.Unplug("1-1")
		r.wait(3 * time.Second)
		r.want("4.600 s1 remove 1-1") // by the missing traffic count
		r.tree.Plug("1-1", r.device(running, ""))
		r.wait(90 * time.Millisecond)
		r.want("6.600 s1 add 1-1 1209:0004") // by polling
		if n := r.logged(saidSilent); n != 1 {
			t.Errorf("said %d times that uevents do not arrive, want once", n)
		}
		// They do arrive after all.
		r.unplug("1-1")
		r.want("6.600 s1 remove 1-1")
		r.wait(210 * time.Millisecond)
		r.tree.Plug("1-1", r.device(running, ""))
		r.wait(time.Second)
		r.want()
		r.say("add", "1-1")
		r.want("7.810 s1 add 1-1 1209:0004")
	})
}
