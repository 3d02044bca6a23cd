package usb_test

import (
	"fmt"
	"path"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

func TestStartSaysWhatStandsThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.tree.Plug("1-2", r.device(running, ""))
		r.run()
		r.want("0.000 s1 remove 1-1", "0.000 s2 add 1-2 1209:0004")
		r.wait(10 * time.Second)
		r.want()
	})
}

func TestPlugAndUnplug(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.run()
		r.want("0.000 s1 remove 1-1", "0.000 s2 remove 1-2")
		r.wait(1234 * time.Millisecond)
		r.plug("1-1", r.device(restoring, "X1"))
		r.want("1.234 s1 add 1-1 1209:0003", `1.234 s1 details 1-1 1209:0003 "X1"`)
		r.wait(time.Second)
		r.unplug("1-1")
		r.want("2.234 s1 remove 1-1")
		r.wait(time.Minute)
		r.want()
	})
}

// A device that changes its mode comes back as another one on the same port.
func TestIdentityChange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t, recovery)
		r.wait(time.Second)
		r.unplug("1-1")
		r.wait(600 * time.Millisecond)
		r.plug("1-1", r.device(restoring, ""))
		r.want("1.000 s1 remove 1-1", "1.600 s1 add 1-1 1209:0003")
	})
}

// Both messages wait while the watcher looks elsewhere: each change still gets
// the time of its own message. The same identity under another device number
// is a new enumeration.
func TestRemoveAndAddBetweenLooks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t, restoring, running)
		r.wait(10 * time.Millisecond)
		r.tree.SetFunc(usbtest.Attribute("1-2", "idVendor"), func() ([]byte, error) {
			time.Sleep(80 * time.Millisecond)
			return []byte("1209\n"), nil
		})
		r.say("change", "1-2")
		r.wait(10 * time.Millisecond)
		r.unplug("1-1")
		r.wait(20 * time.Millisecond)
		r.plug("1-1", r.device(restoring, ""))
		r.wait(100 * time.Millisecond)
		r.want("0.020 s1 remove 1-1", "0.040 s1 add 1-1 1209:0003")
	})
}

// Messages that say nothing true change nothing.
func TestHintsAreNotBelieved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t, restoring)
		for _, action := range []string{"remove", "add", "change", "offline", "unbind"} {
			r.say(action, "1-1")
			r.say(action, "1-2")
			r.wait(time.Second)
		}
		r.want()
	})
}

func TestOverrunBringsTruth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t)
		r.wait(220 * time.Millisecond)
		before := r.w.Counts()
		r.tree.Plug("1-1", r.device(running, "")) // its message is lost
		r.script.Fail(usb.ErrOverrun)
		r.wait(100 * time.Millisecond)
		r.want("0.300 s1 add 1-1 1209:0004")
		after := r.w.Counts()
		if after.LostUevents != before.LostUevents+1 || after.Rescans != before.Rescans+1 {
			t.Errorf("counts went from %+v to %+v, want one loss and one rescan more", before, after)
		}
		r.unplug("1-1")
		r.want("0.320 s1 remove 1-1") // receiving went on
	})
}

func TestGapBringsTruth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.run()
		r.say("change", "1-2")
		r.take()
		r.wait(220 * time.Millisecond)
		r.tree.Plug("1-1", r.device(running, ""))
		r.seq += 3
		r.script.Send(usbtest.Message("change", "/devices/virtual/net/lo", "net", r.seq))
		r.wait(100 * time.Millisecond)
		r.want("0.300 s1 add 1-1 1209:0004")
		r.wait(5 * time.Second)
		if c := r.w.Counts(); c.LostUevents != 2 || c.Uevents != 2 {
			t.Errorf("counts %+v, want 2 uevents and 2 lost", c)
		}
	})
}

// A message that cannot be read is a hint at everything.
func TestGarbledMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t)
		r.wait(220 * time.Millisecond)
		r.tree.Plug("1-1", r.device(running, ""))
		r.script.Send([]byte("add@/devices"))
		r.wait(100 * time.Millisecond)
		r.want("0.300 s1 add 1-1 1209:0004")
	})
}

// Nothing announces the change at all: the periodic look finds it.
func TestRescan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t)
		r.wait(4 * time.Second)
		r.tree.Plug("1-1", r.device(running, ""))
		r.wait(1990 * time.Millisecond)
		r.want()
		r.wait(10 * time.Millisecond)
		r.want("6.000 s1 add 1-1 1209:0004")
	})
}

// What a full mailbox refuses is told later, complete and with its own time.
func TestRefusedIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t, recovery)
		r.wait(time.Second)
		r.refuseWhile(func(o bench.Observation) bool { return o.Station == "s1" })
		r.unplug("1-1")
		r.wait(250 * time.Millisecond)
		r.plug("1-1", r.device(restoring, "X1"))
		r.plug("1-2", r.device(running, ""))
		r.want("1.250 s2 add 1-2 1209:0004")
		r.wait(time.Second)
		r.refuseWhile(nil)
		r.wait(100 * time.Millisecond)
		r.want("1.000 s1 remove 1-1", "1.250 s1 add 1-1 1209:0003", `2.300 s1 details 1-1 1209:0003 "X1"`)
	})
}

// A change that no message announced keeps the time at which it was found.
func TestRefusedFindIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t)
		r.wait(time.Second)
		r.refuseWhile(func(bench.Observation) bool { return true })
		r.tree.Plug("1-1", r.device(running, ""))
		r.wait(5 * time.Second)
		r.refuseWhile(nil)
		r.wait(100 * time.Millisecond)
		r.want("3.000 s1 add 1-1 1209:0004")
		if n := r.logged(saidSilent); n != 0 {
			t.Error("one change, told late, was taken for silence of uevents")
		}
	})
}

// Each kind of news is owed until it is taken.
func TestEveryKindIsOwed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.opts.Ports = map[string]string{"1-1": "s1"}
		r.tree.Plug("1-1", r.device(recovery, "X1"))
		full := true
		r.refuse = func(bench.Observation) bool { full = !full; return !full }
		r.run()
		r.wait(time.Second)
		r.tree.Remove(usbtest.Devices)
		r.wait(5 * time.Second)
		r.tree.Plug("1-1", r.device(restoring, "X2"))
		r.wait(5 * time.Second)
		var kinds []string
		for _, line := range r.take() {
			kinds = append(kinds, strings.Fields(line)[2])
		}
		want := "add details lost back remove add details"
		if got := strings.Join(kinds, " "); got != want {
			t.Errorf("told %s, want %s", got, want)
		}
	})
}

func TestTraffic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.opts.Rescan = time.Hour
		r.run()
		d := r.device(restoring, "")
		r.plug("1-1", d)
		r.wait(time.Second)
		r.tree.Set(usbtest.Attribute("1-1", "urbnum"), "1823100000000\n")
		r.wait(time.Second)
		// Another device is there that the station has not been told of.
		r.tree.Set(usbtest.Attribute("1-1", "devnum"), "99\n")
		r.wait(time.Second)
		var got []string
		for _, o := range r.got {
			if _, ok := o.Fact.(bench.Traffic); ok {
				got = append(got, r.line(o))
			}
		}
		want := []string{"1.000 s1 urbs 10", "2.000 s1 urbs 1823100000000"}
		if strings.Join(got, "\n") != strings.Join(want, "\n") {
			t.Errorf("traffic %q, want %q", got, want)
		}
	})
}

// 3,000 messages at once, about watched ports and others: the last state is
// what the stations know in the end.
func TestStorm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.run()
		var last usbtest.Device
		for i := range 1000 {
			switch i % 3 {
			case 0:
				last = r.device(running, fmt.Sprint(i))
				r.plug("1-1", last)
			case 1:
				r.unplug("1-1")
			case 2:
				r.say("change", "1-7") // not watched
			}
			r.say([]string{"remove", "add", "bind"}[i%3], "1-2") // never true
			r.seq++
			r.script.Send(usbtest.Message("change", "/devices/virtual/net/lo", "net", r.seq))
			if i%100 == 0 {
				r.wait(time.Millisecond)
			}
		}
		r.wait(time.Second)
		told := r.take()
		var knows string
		for _, line := range told {
			if strings.Contains(line, " s1 add ") || strings.Contains(line, " s1 remove ") {
				knows = strings.Fields(line)[2]
			}
			if strings.Contains(line, "s2 add") {
				t.Errorf("%s: that device was never there", line)
			}
		}
		if knows != "add" || !strings.HasSuffix(told[len(told)-1], fmt.Sprintf("details 1-1 1209:0004 %q", last.Serial)) {
			t.Errorf("s1 knows %s at last, then %s; want the device %q", knows, told[len(told)-1], last.Serial)
		}
		if c := r.w.Counts(); c.LostUevents != 0 || c.Uevents < 3000 {
			t.Errorf("counts %+v, want at least 3000 uevents and none lost", c)
		}
	})
}

// The event path asks for attributes that never block, and nobody asks for
// anything outside the device list.
func TestAsksOnlyWhatNeverBlocks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		watch := &asked{FS: r.tree, names: map[string]int{}}
		r.opts.Sysfs = watch
		r.run()
		r.plug("1-1", r.device(restoring, "X1"))
		r.wait(5 * time.Second)
		r.unplug("1-1")
		r.wait(time.Second)
		r.stop()
		allowed := map[string]bool{"idVendor": true, "idProduct": true, "devnum": true, "speed": true, "urbnum": true, "descriptors": true}
		for name, n := range watch.names {
			dir, attr := path.Split(name)
			switch {
			case name == usbtest.Devices:
			case attr == "serial": // aside: see TestStuckHub
				if n != 1 {
					t.Errorf("%s was asked for %d times, want once for one device", name, n)
				}
			case !allowed[attr] || dir != usbtest.Devices+"/1-1/" && dir != usbtest.Devices+"/1-2/":
				t.Errorf("%s was asked for", name)
			}
		}
		if watch.names[usbtest.Attribute("1-1", "urbnum")] == 0 || watch.names[usbtest.Attribute("1-1", "serial")] == 0 {
			t.Errorf("asked for %v: no traffic or serial, so this test saw nothing", watch.names)
		}
	})
}

func TestOptions(t *testing.T) {
	ok := map[string]string{"1-1": "s1"}
	for name, o := range map[string]usb.Options{
		"no ports":          {},
		"root hub":          {Ports: map[string]string{"usb1": "s1"}},
		"interface":         {Ports: map[string]string{"1-2:1.0": "s1"}},
		"path":              {Ports: map[string]string{"../../dev": "s1"}},
		"no station":        {Ports: map[string]string{"1-1": ""}},
		"negative interval": {Ports: ok, Poll: -1},
	} {
		if _, err := usb.New(o); err == nil || !strings.HasPrefix(err.Error(), "watch USB: ") {
			t.Errorf("%s: New = %v, want an error", name, err)
		}
	}
	w, err := usb.New(usb.Options{Ports: ok})
	if err != nil || w.String() != "usb (1 ports)" {
		t.Errorf("New = %v, %v", w, err)
	}
}
