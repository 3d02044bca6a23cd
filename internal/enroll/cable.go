package enroll

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"runtime"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/usb"
)

const (
	// lookEvery is from look to look while a cable is waited for.
	lookEvery = 100 * time.Millisecond
	// settles is how long what came must stand: a board that starts comes and
	// goes, and behind a hub others come with it.
	settles = 1500 * time.Millisecond
)

// port finds the port of the station, by its cable or by what is given.
func (s *session) port(ctx context.Context) error {
	look := func() (map[string]usb.Seen, error) { return s.Look(ctx, s.sysfs) }
	before, err := look()
	switch {
	case s.Port == None:
		return nil
	case s.Port != "" && !usb.ValidPort(s.Port):
		return noAnswer("--port %q: not a port path: write bus and chain of ports, like 1-2.3, or none", s.Port)
	case s.Port != "":
		return s.take(s.Port, before[s.Port])
	case s.Yes:
		return s.onlyPort(before)
	case err != nil:
		s.say("The USB bus cannot be seen: %v", err)
		return s.withoutPort()
	}
	s.say("Unplug the cable of this station from the computer and plug it in again. If nothing is in it, plug it in.")
	s.say("No key is needed; type none if this station has no USB port.")
	for {
		found, err := s.cable(look).follow(ctx, before)
		if err != nil {
			return err
		}
		if err = s.took(found); !errors.Is(err, errTaken) {
			return err
		}
		s.say("  %v; the cable of %s is still waited for", err, s.entry.ID)
		if before, err = look(); err != nil {
			return fmt.Errorf("watch the cable: %w", err)
		}
	}
}

// took makes what happened on the bus the station's port.
func (s *session) took(found change) error {
	switch {
	case found.typed == None:
		return nil
	case found.typed != "":
		return s.take(found.typed, found.seen[found.typed])
	case len(found.came) == 1:
		return s.take(found.came[0], found.seen[found.came[0]])
	case len(found.came) > 1:
		return s.choosePort(found)
	case len(found.left) == 1 && s.owner(found.left[0]) == "":
		s.say("What stood on port %s went away and did not come back.", found.left[0])
		if ok, err := s.confirm("Is that the port", "y", "y if the cable that you unplugged was in that port and is the station's; n if it was another one"); err != nil || ok {
			return s.take(found.left[0], usb.Seen{})
		}
	}
	s.say("No cable was seen on the bus. Look whether the board is powered and started, try another cable (some carry power")
	s.say("only) and another port, and begin again.")
	return s.withoutPort()
}

// onlyPort is the port where nobody is there to plug a cable: the one that the
// station has, or the only one with a device that is no other station's and no
// instrument.
func (s *session) onlyPort(now map[string]usb.Seen) error {
	if old := s.known(s.entry.ID); old != nil && old.Port != "" {
		return s.take(old.Port, now[old.Port])
	}
	var free []string
	for _, p := range slices.Sorted(maps.Keys(now)) {
		if !now[p].Hub && s.owner(p) == "" && !slices.Contains(s.meters(), p) {
			free = append(free, p)
		}
	}
	switch len(free) {
	case 0:
		return errNoPort
	case 1:
		return s.take(free[0], now[free[0]])
	}
	return noAnswer("no port: devices stand on %s: give the station's by --port, or --port none", strings.Join(free, ", "))
}

// errNoPort is the answer where nobody is there to plug a cable.
var errNoPort = noAnswer("no port: give the port by --port, or --port none")

// cable is a wait for one. A line that a person types meanwhile is no answer to
// a question that comes later, but may name the port; the lines of a file or a
// pipe are left for their questions.
func (s *session) cable(look func() (map[string]usb.Seen, error)) cable {
	c := cable{look: look, patience: s.Patience, ended: s.ended}
	c.unplugged = func(port string) {
		if id := s.owner(port); id != "" {
			s.say("Port %s went empty: that is the port of station %s.", port, id)
			return
		}
		s.say("Port %s went empty. If that was the cable, plug it in again.", port)
	}
	if s.Terminal {
		c.typed = s.lines
	}
	c.strange = func(line string) {
		if line != "" {
			s.say("  %q: neither a port path like 1-2.3 nor none; the cable is still waited for", line)
		}
	}
	return c
}

func (s *session) withoutPort() error {
	ok, err := s.confirm("Go on without a USB port", "n", "y: the board is followed by its supply and by your marks alone; n: end here, so that you can look at the cable")
	if err != nil {
		return err
	}
	if !ok {
		return notThere("no port was found")
	}
	return nil
}

func (s *session) choosePort(found change) error {
	s.say("Several devices came:")
	for _, p := range found.came {
		whose := ""
		if id := s.owner(p); id != "" {
			whose = "  (of station " + id + ")"
		}
		s.say("  %-10s %s%s", p, s.device(found.seen[p].ID), whose)
	}
	p, err := s.answer(question{flag: "--port", text: "Which port is the station's", check: func(p string) error {
		if !slices.Contains(found.came, p) {
			return fmt.Errorf("one of %s", strings.Join(found.came, ", "))
		}
		return s.mayTake(p, found.seen[p])
	}})
	if err != nil {
		return err
	}
	return s.take(p, found.seen[p])
}

// errTaken marks a port that cannot be the station's.
var errTaken = errors.New("not a port for this station")

// mayTake says why a port cannot be the station's.
func (s *session) mayTake(port string, d usb.Seen) error {
	if id := s.owner(port); id != "" {
		return &fault{errTaken, noAnswer("port %s is already the port of station %s: enroll that one, or give it another port first", port, id)}
	}
	if d.Hub {
		return &fault{errTaken, noAnswer("a hub stands on port %s: a station is a port behind it", port)}
	}
	if d == (usb.Seen{}) && usb.Choose(s.sysfs, runtime.GOOS) == usb.BySysfs {
		if err := usb.FindPort(s.sysfs, port); err != nil {
			return &fault{errTaken, notThere("%w", err)}
		}
	}
	return nil
}

// take makes a port the station's.
func (s *session) take(port string, d usb.Seen) error {
	if err := s.mayTake(port, d); err != nil {
		return err
	}
	s.entry.Port, s.seen = port, d
	if d == (usb.Seen{}) {
		s.say("Port %s. Nothing stands there now.", port)
		return nil
	}
	s.say("Port %s. There stands %s.", port, s.device(d.ID))
	return nil
}

// device is what people call what shows an identity.
func (s *session) device(id bench.USBID) string {
	fits := fitting(s.families, id)
	if p := s.families[s.Profile]; p != nil {
		fits = []string{p.Name}
	}
	for _, name := range fits {
		if modes := s.families[name].Labels(id); len(modes) > 0 {
			return fmt.Sprintf("a device in %s (%v)", strings.Join(modes, " or "), id)
		}
	}
	return fmt.Sprintf("a device that no profile knows (%v)", id)
}

// change is what happened on the bus since the first look.
type change struct {
	left, came []string // ports, in order; what came is no hub
	seen       map[string]usb.Seen
	typed      string // a port, or None: somebody said so instead
}

// differ says what changed. A device of another number is another enumeration:
// it came, even if no look saw it gone. gone are the ports that were seen empty
// in between.
func differ(before, now map[string]usb.Seen, gone map[string]bool) change {
	c := change{seen: now}
	for _, p := range slices.Sorted(maps.Keys(now)) {
		if d, was := before[p]; !now[p].Hub && (!was || d.Number != now[p].Number || gone[p]) {
			c.came = append(c.came, p)
		}
	}
	for _, p := range slices.Sorted(maps.Keys(before)) {
		if _, there := now[p]; !there && !before[p].Hub {
			c.left = append(c.left, p)
		}
	}
	return c
}

// same reports whether two changes name the same devices.
func (c change) same(o change) bool {
	return slices.EqualFunc(c.came, o.came, func(a, b string) bool { return a == b && c.seen[a] == o.seen[b] })
}

// cable is a wait for a cable to be plugged in.
type cable struct {
	look      func() (map[string]usb.Seen, error)
	patience  time.Duration
	unplugged func(port string) // called when a port was first seen empty
	typed     <-chan string     // what a person types meanwhile; nil: nothing is taken
	strange   func(line string) // called with what is typed and is no answer
	ended     <-chan struct{}   // closed when nobody can answer any more
}

// follow looks again and again until something came and stayed, or somebody
// names the port, or patience ends.
func (w cable) follow(ctx context.Context, before map[string]usb.Seen) (change, error) {
	gone := map[string]bool{}
	began := time.Now()
	last, since := change{}, began
	for {
		now, err := w.look()
		if err != nil {
			return change{}, fmt.Errorf("watch the cable: %w", err)
		}
		w.empty(before, now, gone)
		c := differ(before, now, gone)
		if !c.same(last) {
			since = time.Now()
		}
		last = c
		if len(c.came) > 0 && time.Since(since) >= settles || time.Since(began) >= w.patience {
			return c, nil
		}
		if c.typed, err = w.pause(ctx); err != nil || c.typed != "" {
			return c, err
		}
	}
}

// empty notes which ports are empty now, and tells of each once.
func (w cable) empty(before, now map[string]usb.Seen, gone map[string]bool) {
	for _, p := range slices.Sorted(maps.Keys(before)) {
		if _, there := now[p]; there {
			continue
		}
		if !gone[p] {
			w.unplugged(p)
		}
		gone[p] = true
	}
}

// pause is from look to look. It ends early with what somebody types, if that
// names a port or none.
func (w cable) pause(ctx context.Context) (typed string, err error) {
	next := time.After(lookEvery)
	for {
		select {
		case <-ctx.Done():
			return "", ctx.Err()
		case <-w.ended:
			return "", errNoPort
		case line, ok := <-w.typed:
			switch {
			case !ok:
				return "", errNoPort
			case line == None || usb.ValidPort(line):
				return line, nil
			}
			w.strange(line)
		case <-next:
			return "", nil
		}
	}
}
