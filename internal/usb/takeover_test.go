package usb_test

import (
	"testing"
	"testing/synctest"
	"time"

	"benchvigil/internal/usb/usbtest"
)

// next stops the watcher and lets another one take over, as options say; what
// happens in between is not heard by any.
func (r *rig) next(between func()) {
	r.t.Helper()
	r.stop()
	r.told = r.w.Told()
	between()
	r.script = &usbtest.Script{}
	r.opts.Listen = r.script.Listen
	r.run()
}

func TestTakeOverSaysOnlyWhatChanged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t, running)
		r.wait(time.Second)
		r.next(func() {})
		r.want()
		r.next(func() { r.tree.Plug("1-2", r.device(restoring, "")) })
		r.want("1.000 s2 add 1-2 1209:0003")
		r.next(func() { r.tree.Unplug("1-2") })
		r.want("1.000 s2 remove 1-2")
		r.wait(time.Second)
		r.unplug("1-1")
		r.want("2.000 s1 remove 1-1")
	})
}

// A device that came and went while nobody watched has another number, though
// it looks the same.
func TestTakeOverSeesAReenumeration(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t, running)
		r.next(func() {
			r.tree.Unplug("1-1")
			r.tree.Plug("1-1", r.device(running, ""))
		})
		r.want("0.000 s1 remove 1-1", "0.000 s1 add 1-1 1209:0004")
	})
}

// A station that knows nothing, because it is new, hears everything.
func TestTakeOverOfANewStation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t, running)
		r.next(func() {
			delete(r.told, "1-1")
			r.opts.Ports["1-3"] = "s3"
		})
		r.want("0.000 s1 add 1-1 1209:0004", "0.000 s3 remove 1-3")
	})
}

// What was lost under one watcher comes back under the next.
func TestTakeOverOfALostBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.tree.Plug("1-1", r.device(running, ""))
		r.run()
		r.wait(time.Second)
		r.tree.Remove(usbtest.Devices)
		r.say("change", "1-1")
		r.wait(time.Second)
		r.take()
		r.next(func() {})
		r.want()
		r.next(func() { r.tree.Plug("1-1", r.device(running, "")) })
		r.want(`2.000 s1 back ""`, "2.000 s1 remove 1-1", "2.000 s1 add 1-1 1209:0004", `2.000 s2 back ""`, "2.000 s2 remove 1-2")
	})
}
