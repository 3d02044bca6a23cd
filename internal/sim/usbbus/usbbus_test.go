package usbbus_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/usbbus"
	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var (
	recovery = bench.USBID{Vendor: 0x1209, Product: 0x0002}
	running  = bench.USBID{Vendor: 0x1209, Product: 0x0004}
)

func attribute(t *testing.T, b *usbbus.Bus, port, name string) string {
	t.Helper()
	text, err := fs.ReadFile(b, usbtest.Attribute(port, name))
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSuffix(string(text), "\n")
}

func TestBusIsAFileSystem(t *testing.T) {
	b := usbbus.New(0)
	b.Plug("1-2.3", running, "X1")
	if err := fstest.TestFS(b, usbtest.Attribute("1-2.3", "idVendor"), usbtest.Attribute("1-2.3", "serial")); err != nil {
		t.Error(err)
	}
}

// The order of the kernel: the device, its interface, the interface's driver,
// the device's driver; and backwards.
func TestUevents(t *testing.T) {
	b := usbbus.New(0)
	b.Plug("1-1", recovery, "") // nobody hears it
	s := b.Socket()
	b.Plug("1-1", running, "")
	b.Unplug("1-1")
	b.Unplug("1-1")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	b.Plug("1-1", running, "") // nobody hears it
	var got []string
	for range 12 {
		u, err := s.Receive(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, fmt.Sprintf("%d %s %s %s", u.Seq, u.Action, u.DevPath[strings.LastIndex(u.DevPath, "/")+1:], u.Vars["PRODUCT"]))
	}
	want := []string{
		"5 unbind 1-1:1.0 1209/2/100", "6 remove 1-1:1.0 1209/2/100", "7 unbind 1-1 1209/2/100", "8 remove 1-1 1209/2/100",
		"9 add 1-1 1209/4/100", "10 add 1-1:1.0 1209/4/100", "11 bind 1-1:1.0 1209/4/100", "12 bind 1-1 1209/4/100",
		"13 unbind 1-1:1.0 1209/4/100", "14 remove 1-1:1.0 1209/4/100", "15 unbind 1-1 1209/4/100", "16 remove 1-1 1209/4/100",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("uevents (-want +got):\n%s", diff)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if u, err := s.Receive(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("after the last: %+v, %v; want context canceled", u, err)
	}
}

func TestTraffic(t *testing.T) {
	b := usbbus.New(0)
	b.SetURBs("1-1", 99) // nothing there
	b.AddURBs("1-1", 99)
	b.Plug("1-1", running, "")
	n := uint64(5000)
	for i, tc := range []struct {
		do   func()
		want string
	}{
		{func() {}, "10"},
		{func() { b.AddURBs("1-1", 5) }, "15"},
		{func() { b.SetURBs("1-1", 1000) }, "1000"},
		{func() { b.CountURBs("1-1", func() uint64 { n++; return n }) }, "5001"},
		{func() {}, "5002"},
		{func() { b.AddURBs("1-1", 7) }, "5010"},
		{func() { b.Plug("1-1", recovery, "") }, "10"},
	} {
		tc.do()
		if got := attribute(t, b, "1-1", "urbnum"); got != tc.want {
			t.Errorf("step %d: urbnum %s, want %s", i, got, tc.want)
		}
	}
}

// Device numbers of a bus rise to 127 and start again at 2, past those in use.
func TestDeviceNumbers(t *testing.T) {
	b := usbbus.New(0)
	b.Plug("1-1", running, "")
	b.Plug("2-1", running, "")
	if one, two := attribute(t, b, "1-1", "devnum"), attribute(t, b, "2-1", "devnum"); one != "2" || two != "2" {
		t.Errorf("first devices of two buses have numbers %s and %s, want 2 and 2", one, two)
	}
	for range 125 {
		b.Plug("1-2", running, "")
	}
	if got := attribute(t, b, "1-2", "devnum"); got != "127" {
		t.Errorf("devnum %s, want 127", got)
	}
	b.Plug("1-2", running, "")
	if got := attribute(t, b, "1-2", "devnum"); got != "3" {
		t.Errorf("devnum %s after 127, want 3: 2 is in use", got)
	}
}

// A full socket drops what is new, tells so once and first, and keeps the rest.
func TestOverrun(t *testing.T) {
	b := usbbus.New(6)
	s := b.Socket()
	b.Plug("1-1", running, "")
	b.Plug("1-2", running, "")
	if _, err := s.Receive(t.Context()); !errors.Is(err, usb.ErrOverrun) {
		t.Fatalf("got %v, want ErrOverrun", err)
	}
	for seq := range uint64(6) {
		if u, err := s.Receive(t.Context()); err != nil || u.Seq != seq+1 {
			t.Errorf("got %d, %v; want %d", u.Seq, err, seq+1)
		}
	}
	b.Unplug("1-1")
	if u, err := s.Receive(t.Context()); err != nil || u.Seq != 9 {
		t.Errorf("got %d, %v; want 9, after a gap", u.Seq, err)
	}
	if n := s.Lost(); n != 2 {
		t.Errorf("%d lost, want 2", n)
	}
}

func TestBadPortPanics(t *testing.T) {
	for name, f := range map[string]func(*usbbus.Bus){
		"plug":   func(b *usbbus.Bus) { b.Plug("usb1", running, "") },
		"unplug": func(b *usbbus.Bus) { b.Unplug("1-2:1.0") },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			f(usbbus.New(0))
		}()
	}
}

// told collects what a watcher says.
type told struct {
	mu  sync.Mutex
	all []bench.Observation
}

func (c *told) emit(o bench.Observation) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.all = append(c.all, o)
	return true
}

// knows is what each station knows in the end.
func (c *told) knows() map[string]string {
	c.mu.Lock()
	defer c.mu.Unlock()
	m := map[string]string{}
	for _, o := range c.all {
		switch u, _ := o.Fact.(bench.USB); u.Change {
		case bench.USBAdd:
			m[o.Station] = u.ID.String()
		case bench.USBRemove:
			m[o.Station] = "nothing"
		case bench.USBDetails:
			m[o.Station] += " " + u.Serial
		}
	}
	return m
}

// watch runs a watcher on the bus for as long as the test.
func watch(t *testing.T, b *usbbus.Bus, ports map[string]string) (*usb.Watcher, *told) {
	t.Helper()
	w, err := usb.New(usb.Options{Sysfs: b, Listen: b.Listen, Scan: b.Devices, Ports: ports})
	if err != nil {
		t.Fatal(err)
	}
	c := &told{}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx, c.emit) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	synctest.Wait()
	return w, c
}

// The watcher of the product on this bus: twenty stations, devices that come
// and go, an overrun on the way. In the end each station knows what stands
// there, and libusb's list (the bus's own) agrees.
func TestWatched(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := usbbus.New(64)
		ports := map[string]string{}
		for i := range 20 {
			ports[fmt.Sprintf("1-%d", i+1)] = fmt.Sprintf("s%d", i+1)
		}
		w, c := watch(t, b, ports)
		want := map[string]string{}
		for round := range 20 {
			for port, station := range ports {
				if (len(port)+round)%3 == 0 {
					b.Unplug(port)
					want[station] = "nothing"
				} else {
					serial := fmt.Sprintf("%s/%d", port, round)
					b.Plug(port, running, serial)
					want[station] = "1209:0004 " + serial
				}
			}
			time.Sleep(50 * time.Millisecond)
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if diff := cmp.Diff(want, c.knows()); diff != "" {
			t.Errorf("known in the end (-want +got):\n%s", diff)
		}
		time.Sleep(2 * time.Minute)
		counts := w.Counts()
		if counts.LostUevents == 0 || counts.Uevents == 0 {
			t.Errorf("counts %+v: this test wants losses", counts)
		}
		if counts.Disagree != 0 {
			t.Errorf("counts %+v, want no disagreement with the bus's own list", counts)
		}
	})
}

// What the watcher counts as lost is what the socket dropped.
func TestLossesAreCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := usbbus.New(4)
		w, c := watch(t, b, map[string]string{"1-1": "s1"})
		unread := b.Socket() // hears the same
		b.Plug("1-1", running, "")
		b.Plug("1-2", running, "")
		b.Plug("1-3", running, "")
		time.Sleep(5 * time.Second)
		b.Unplug("1-1")
		time.Sleep(5 * time.Second)
		synctest.Wait()
		got := w.Counts()
		if got.Uevents+got.LostUevents != 16 {
			t.Errorf("counts %+v, want 16 uevents received or lost", got)
		}
		if n := unread.Lost(); n != 12 {
			t.Errorf("a socket that nobody empties lost %d, want all but 4 of 16", n)
		}
		if k := c.knows()["s1"]; k != "nothing" {
			t.Errorf("knows %q in the end, want nothing", k)
		}
	})
}
