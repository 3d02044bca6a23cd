package usb_test

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"benchvigil/internal/bench"
	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

func TestMain(m *testing.M) {
	if what := os.Getenv(childEnv); what != "" {
		os.Exit(beChild(what))
	}
	goleak.VerifyTestMain(m)
}

func id(vendor, product uint16) bench.USBID {
	return bench.USBID{Vendor: vendor, Product: product}
}

// The demo's invented identities.
var (
	recovery  = id(0x1209, 0x0002)
	restoring = id(0x1209, 0x0003)
	running   = id(0x1209, 0x0004)
	nothing   bench.USBID
)

// rig is a watcher over a tree and a script, inside a synctest bubble. Station
// "s1" has port 1-1, "s2" has 1-2.
type rig struct {
	t      *testing.T
	tree   *usbtest.Tree
	script *usbtest.Script
	opts   usb.Options
	logs   *observer.ObservedLogs
	w      *usb.Watcher
	told   usb.Told // what the watcher takes over
	began  time.Time
	seq    uint64
	devnum int
	stop   func()

	mu     sync.Mutex
	refuse func(bench.Observation) bool
	got    []bench.Observation
}

// newRig makes a rig whose options may still be changed.
func newRig(t *testing.T) *rig {
	t.Helper()
	core, logs := observer.New(zapcore.InfoLevel)
	r := &rig{t: t, tree: usbtest.NewTree(), script: &usbtest.Script{}, logs: logs, began: time.Now(), seq: 100}
	r.opts = usb.Options{
		Sysfs:  r.tree,
		Listen: r.script.Listen,
		Ports:  map[string]string{"1-1": "s1", "1-2": "s2"},
		Logger: zap.New(core),
	}
	return r
}

// run starts the watcher; it is stopped with the test.
func (r *rig) run() {
	r.t.Helper()
	w, err := usb.New(r.opts)
	if err != nil {
		r.t.Fatal(err)
	}
	r.w = w
	w.TakeOver(r.told)
	ctx, cancel := context.WithCancel(r.t.Context())
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx, r.emit) }()
	r.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			r.t.Errorf("Run: %v", err)
		}
	})
	r.t.Cleanup(r.stop)
	synctest.Wait()
}

// begun is a rig that runs with these boards on ports 1-1, 1-2 and so on; an
// unset identity leaves the port empty. What is told at the start is dropped.
func begun(t *testing.T, boards ...bench.USBID) *rig {
	t.Helper()
	r := newRig(t)
	for i, is := range boards {
		if is != nothing {
			r.tree.Plug(fmt.Sprintf("1-%d", i+1), r.device(is, ""))
		}
	}
	r.run()
	r.take()
	return r
}

func (r *rig) emit(o bench.Observation) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.refuse != nil && r.refuse(o) {
		return false
	}
	r.got = append(r.got, o)
	return true
}

// refuseWhile sets what the stations' mailboxes have no room for.
func (r *rig) refuseWhile(f func(bench.Observation) bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.refuse = f
}

// take returns what was told since the last take, without traffic counts, one
// line each: seconds since the start, station, fact.
func (r *rig) take() (lines []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, o := range r.got {
		if _, ok := o.Fact.(bench.Traffic); !ok {
			lines = append(lines, r.line(o))
		}
	}
	r.got = nil
	return lines
}

func (r *rig) line(o bench.Observation) string {
	head := fmt.Sprintf("%.3f %s ", o.At.Sub(r.began).Seconds(), o.Station)
	switch f := o.Fact.(type) {
	case bench.USB:
		switch f.Change {
		case bench.USBAdd:
			return head + fmt.Sprintf("add %s %v", f.Port, f.ID)
		case bench.USBDetails:
			return head + fmt.Sprintf("details %s %v %q", f.Port, f.ID, f.Serial)
		}
		return head + fmt.Sprintf("%s %s", f.Change, f.Port)
	case bench.USBSource:
		return head + fmt.Sprintf("%s %q", f.Change, f.Error)
	case bench.Traffic:
		return head + fmt.Sprintf("urbs %d", f.URBs)
	}
	return head + fmt.Sprintf("%#v", o.Fact)
}

// want settles and compares what was told since the last time.
func (r *rig) want(lines ...string) {
	r.t.Helper()
	synctest.Wait()
	if diff := cmp.Diff(lines, r.take()); diff != "" {
		r.t.Errorf("told (-want +got):\n%s", diff)
	}
}

// wait lets time pass.
func (r *rig) wait(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

// device makes the next device, with a device number of its own.
func (r *rig) device(is bench.USBID, serial string) usbtest.Device {
	r.devnum++
	return usbtest.Device{ID: is, Devnum: r.devnum + 1, Serial: serial, URBs: 10}
}

// plug puts a device on a port and says so.
func (r *rig) plug(port string, d usbtest.Device) {
	r.tree.Plug(port, d)
	r.say("add", port)
	r.say("bind", port)
}

// unplug empties a port and says so.
func (r *rig) unplug(port string) {
	r.tree.Unplug(port)
	r.say("remove", port)
}

// say sends a uevent about a port, whatever the tree holds.
func (r *rig) say(action, port string) {
	r.seq++
	r.script.Send(usbtest.DeviceMessage(action, port, usbtest.Device{ID: restoring, Devnum: 9}, r.seq))
}

// logged counts log lines of at least Info by message.
func (r *rig) logged(message string) int { return r.logs.FilterMessage(message).Len() }

// during calls back before a name is opened, once for each call of set.
type during struct {
	fs.FS
	mu   sync.Mutex
	name string
	do   func()
}

func (d *during) set(name string, do func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.name, d.do = name, do
}

func (d *during) Open(name string) (fs.File, error) {
	d.mu.Lock()
	do := d.do
	if name != d.name {
		do = nil
	} else {
		d.do = nil
	}
	d.mu.Unlock()
	if do != nil {
		do()
	}
	return d.FS.Open(name)
}

// asked records the names that are asked of a tree.
type asked struct {
	fs.FS
	mu    sync.Mutex
	names map[string]int
}

func (a *asked) Open(name string) (fs.File, error) {
	a.mu.Lock()
	a.names[name]++
	a.mu.Unlock()
	return a.FS.Open(name)
}
