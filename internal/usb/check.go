package usb

import (
	"context"
	"fmt"
	"time"

	"benchvigil/internal/logkey"
)

// Waits of the cross-check: before a disagreement is looked at a second time,
// and between scans however many are asked for.
const (
	confirmAfter = 2 * time.Second
	minScanGap   = 5 * time.Second
)

// check compares what libusb lists with what sysfs shows, aside. It never
// changes what is told to a station.
type check struct {
	every   time.Duration
	timer   *time.Timer // of the next scan
	done    chan scanned
	running bool
	asked   bool // for another scan as soon as may be
	started time.Time
	suspect map[string]string // port → disagreement of the last scan
	warned  map[string]string // port → disagreement last written to the log
	failed  string            // the error last written to the log
}

type scanned struct {
	devices []Device
	err     error
}

func newCheck(every time.Duration) check {
	return check{
		every:  every,
		timer:  time.NewTimer(0),
		done:   make(chan scanned, 1), // one runs at a time: sending never blocks
		warned: map[string]string{},
	}
}

// soon asks for a scan before its time.
func (c *check) soon() {
	if c.asked = c.running; !c.running {
		c.timer.Reset(max(0, minScanGap-time.Since(c.started)))
	}
}

// scan starts a scan aside.
func (l *loop) scan(ctx context.Context) {
	c := &l.check
	if l.w.opts.Scan == nil || c.running {
		return
	}
	c.running, c.asked, c.started = true, false, time.Now()
	l.wg.Go(func() {
		devices, err := l.w.opts.Scan(ctx)
		c.done <- scanned{devices, err}
	})
}

// compare takes the result of a scan and sets the time of the next one.
func (l *loop) compare(s scanned) {
	c := &l.check
	c.running = false
	l.scanFailed(s.err)
	suspect := l.disagreements(s.devices, s.err == nil)
	fresh := false
	for port, text := range suspect {
		_, before := c.suspect[port]
		fresh = fresh || !before
		if before {
			l.disagreed(port, text)
		}
	}
	c.suspect = suspect
	switch {
	case fresh:
		c.timer.Reset(confirmAfter)
	case c.asked:
		c.soon()
	default:
		c.timer.Reset(c.every)
	}
}

// scanFailed says why a scan told nothing, when that is new.
func (l *loop) scanFailed(err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	if text != l.check.failed && err != nil {
		l.w.log.Warn("libusb could not list the devices", logkey.Source(l.w.String()), logkey.Err(err))
	}
	l.check.failed = text
}

// disagreed counts a disagreement that persisted, and says it when it is new.
func (l *loop) disagreed(port, text string) {
	l.w.disagree.Add(1)
	if l.check.warned[port] == text {
		return
	}
	l.check.warned[port] = text
	l.w.log.Warn("libusb and sysfs disagree: "+text, logkey.Station(l.byPath[port].station), logkey.Port(port))
}

// disagreements compares a scan with what sysfs shows now on the watched
// ports. A port that cannot be read now is not judged, nor one that is missing
// from an incomplete list.
func (l *loop) disagreements(devices []Device, complete bool) map[string]string {
	listed := byPort(devices)
	out := map[string]string{}
	for _, p := range l.ports {
		shown, err := l.tree.look(p.path)
		there, ok := listed[p.path]
		if err == nil && shown != there && (ok || complete) {
			out[p.path] = fmt.Sprintf("libusb lists %v, sysfs shows %v", there, shown)
		}
	}
	return out
}

// String prints what stands on a port.
func (s standing) String() string {
	if !s.present {
		return "nothing"
	}
	return fmt.Sprintf("%v as device %d", s.id, s.devnum)
}
