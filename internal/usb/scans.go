package usb

import (
	"context"
	"io/fs"
	"time"

	"benchvigil/internal/logkey"
)

// Way is how the bus is watched.
type Way int

// The ways. BySysfs follows uevents and looks in sysfs, or polls it; ByScans
// asks Options.Scan again and again.
const (
	BySysfs Way = iota
	ByScans
)

// Choose finds the way for a system, named as in runtime.GOOS. On Linux a
// missing sysfs is trouble that a person has to see, never a reason to watch
// less closely.
func Choose(root fs.FS, system string) Way {
	if system == "linux" || (sysfs{root}).sight() == nil {
		return BySysfs
	}
	return ByScans
}

// scanPace is from scan to scan where there is nothing else. A scan starts a
// process, so more often would cost the computer more than it tells.
const scanPace = time.Second

// blindAfter is for how long scans may fail before that is a loss of sight.
const blindAfter = 3 * time.Second

// runScans watches by scans until ctx ends.
func (l *loop) runScans(ctx context.Context) {
	defer l.check.timer.Stop()
	seen := time.Now()
	for next := time.Now(); ctx.Err() == nil; sleep(ctx, time.Until(next)) {
		next = next.Add(scanPace)
		devices, err := l.w.opts.Scan(ctx)
		if ctx.Err() != nil {
			return
		}
		now := time.Now()
		if next.Before(now) {
			next = now // a slow scan: no catching up
		}
		complete := err == nil
		if complete || len(devices) > 0 {
			seen, err = now, nil
		}
		l.w.rescans.Add(1)
		l.sightByScan(err, now.Sub(seen))
		if err == nil || l.trouble != "" {
			l.takeScan(devices, complete, now)
		}
	}
}

// sightByScan says when scans stop telling anything, and when they do again.
func (l *loop) sightByScan(err error, blind time.Duration) {
	switch {
	case err == nil && l.trouble != "":
		l.w.log.Info("USB can be seen again", logkey.Source(l.w.String()))
		l.trouble = ""
	case err != nil && l.trouble == "" && blind >= blindAfter:
		l.w.log.Warn("USB cannot be seen", logkey.Source(l.w.String()), logkey.Err(err))
		l.trouble = err.Error()
	}
}

// takeScan tells what a scan shows. What is missing from an incomplete list may
// stand there all the same: that is believed only after patience.
func (l *loop) takeScan(devices []Device, complete bool, now time.Time) {
	listed := byPort(devices)
	for _, p := range l.ports {
		there, ok := listed[p.path]
		var unsure error
		if !ok && !complete {
			unsure = errVanishing
		}
		if p.judge(there, unsure, now) || l.trouble != "" {
			l.tellStanding(p, l.w.opts.Now(), false) // what is refused is told after the next scan
		}
	}
}

// byPort is what stands where by a list of devices.
func byPort(devices []Device) map[string]standing {
	out := map[string]standing{}
	for _, d := range devices {
		out[d.Port] = standing{true, d.Address, d.ID()}
	}
	return out
}
