package usb_test

import (
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"benchvigil/internal/usb/usbtest"
)

// stuckFor is how long the hub of a device that hangs in enumeration was seen
// to hold its attributes back.
const stuckFor = 21 * time.Second

const saidLate = "serial number is late: a hub is stuck, often by a damaged board"

// The serial number hangs in the kernel: nothing else is late for it, not even
// on the same port, and there is never a second read behind the first.
func TestStuckHub(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t)
		d := r.device(restoring, "X1")
		var reads atomic.Int64
		stuck := func() ([]byte, error) {
			reads.Add(1)
			time.Sleep(stuckFor)
			return []byte("X1\n"), nil
		}
		plugStuck := func() {
			r.tree.Plug("1-1", d)
			r.tree.SetFunc(usbtest.Attribute("1-1", "serial"), stuck)
			r.say("add", "1-1")
		}
		r.wait(time.Second)
		plugStuck()
		r.want("1.000 s1 add 1-1 1209:0003")
		r.wait(time.Second)
		r.plug("1-2", r.device(running, "Y1"))
		r.want("2.000 s2 add 1-2 1209:0004", `2.000 s2 details 1-2 1209:0004 "Y1"`)
		r.wait(3 * time.Second)
		if r.logged(saidLate) != 1 {
			t.Error("did not say that the read is late")
		}
		r.unplug("1-1")
		r.want("5.000 s1 remove 1-1")
		r.wait(time.Second)
		d = r.device(recovery, "X1")
		plugStuck()
		r.want("6.000 s1 add 1-1 1209:0002")
		if n := reads.Load(); n != 1 {
			t.Errorf("%d reads at once on one port", n)
		}
		// The first read ends at 22 s and is of a device that has gone; the
		// second is of the one that stands there.
		r.wait(15 * time.Second)
		r.want()
		r.wait(22100 * time.Millisecond)
		r.want(`43.000 s1 details 1-1 1209:0002 "X1"`)
		if n := reads.Load(); n != 2 {
			t.Errorf("%d reads, want 2", n)
		}
	})
}

// Run does not wait for a read that hangs.
func TestStopsBesideStuckHub(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.tree.Plug("1-1", r.device(restoring, "X1"))
		r.tree.SetFunc(usbtest.Attribute("1-1", "serial"), func() ([]byte, error) {
			time.Sleep(stuckFor)
			return nil, nil
		})
		r.run()
		r.stop()
		if took := time.Since(r.began); took != 0 {
			t.Errorf("stopping took %v", took)
		}
		time.Sleep(stuckFor) // the read ends by itself
	})
}

func TestSerial(t *testing.T) {
	for _, tc := range []struct {
		name string
		read func() ([]byte, error)
		want string // details, or empty for none
	}{
		{"plain", func() ([]byte, error) { return []byte("X1\n"), nil }, `"X1"`},
		{"blank", func() ([]byte, error) { return []byte("\n"), nil }, ""},
		{"unreadable", func() ([]byte, error) { return nil, errors.New("input/output error") }, ""},
		{"not fit to be shown", func() ([]byte, error) { return []byte(" \x1b[2JX\x001\xff\u202e \n"), nil }, `"[2JX1"`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := begun(t)
				r.tree.Plug("1-1", r.device(restoring, ""))
				r.tree.SetFunc(usbtest.Attribute("1-1", "serial"), tc.read)
				r.say("add", "1-1")
				r.wait(time.Second)
				want := []string{"0.000 s1 add 1-1 1209:0003"}
				if tc.want != "" {
					want = append(want, "0.000 s1 details 1-1 1209:0003 "+tc.want)
				}
				r.want(want...)
			})
		})
	}
}
