package usb

import (
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// detailsDeadline is after how long a read that hangs is called late. It is
// never waited for.
const detailsDeadline = 3 * time.Second

// details is what is known of a device beyond its identity.
type details struct {
	wanted bool   // not read yet
	serial string // read, and still owed to the station

	reading bool // a goroutine reads; at most one a port
	since   time.Time
	late    bool
}

// forget starts afresh with a new device, or none.
func (d *details) forget(wanted bool) { d.wanted, d.serial = wanted, "" }

// detail is the answer of a read.
type detail struct {
	port   *port
	serial string
	of     int // device number that it was read for
	devnum int // device number found after the read
	err    error
}

// tellDetails tells a serial number that is known and starts to read one that
// is not. It reports whether nothing is owed.
func (l *loop) tellDetails(p *port, now time.Time) bool {
	d := &p.details
	if d.serial != "" {
		fact := bench.USB{Change: bench.USBDetails, Port: p.path, ID: p.told.id, Serial: d.serial}
		if !l.tell(p, now, fact) {
			return false
		}
		d.serial = ""
	}
	if d.wanted && !d.reading {
		d.wanted, d.reading, d.since, d.late = false, true, time.Now(), false
		of := p.told.devnum
		go func() {
			serial, devnum, err := l.tree.serial(p.path)
			l.details <- detail{p, serial, of, devnum, err}
		}()
	}
	return true
}

// detailed takes an answer. One about a device that has gone since is dropped:
// the read for its successor is wanted already.
func (l *loop) detailed(r detail) {
	p := r.port
	p.details.reading = false
	if r.err != nil {
		l.w.log.Debug("serial number not read", logkey.Station(p.station), logkey.Port(p.path), logkey.Err(r.err))
	}
	if r.err == nil && p.told.present && r.of == p.told.devnum && r.devnum == r.of {
		p.details.serial = r.serial
	}
	p.again = !l.tellDetails(p, l.w.opts.Now()) || p.again
}

// lateness says which reads hang.
func (l *loop) lateness() {
	for _, p := range l.ports {
		d := &p.details
		took := time.Since(d.since)
		if !d.reading || d.late || took < detailsDeadline {
			continue
		}
		d.late = true
		l.w.log.Warn("serial number is late: a hub is stuck, often by a damaged board",
			logkey.Station(p.station), logkey.Port(p.path), logkey.Device(p.told.id.String()), logkey.Elapsed(took))
	}
}
