package checkup

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"sync"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/supply"
	"benchvigil/internal/unit"
)

// supplies asks every instrument who it is, and measures what the watch would
// get from it. Instruments are asked side by side, one address after the other.
func (s System) supplies(ctx context.Context, stations []Station) []Result {
	type job struct {
		at    int
		check string
		opts  supply.Options
	}
	var jobs []job
	byAddress := map[string][]job{}
	known := map[int]Sight{} // by the number of the job
	for _, st := range stations {
		for _, o := range st.Supplies {
			if w, ok := st.Watched[o.Channel]; ok {
				known[len(jobs)] = w
			}
			j := job{len(jobs), fmt.Sprintf("%s (%s)", keyOf(o.Channel), st.ID), o}
			jobs = append(jobs, j)
			byAddress[o.Address] = append(byAddress[o.Address], j)
		}
	}
	out := make([]Result, len(jobs))
	var wg sync.WaitGroup
	for _, list := range byAddress {
		wg.Go(func() {
			for _, j := range list {
				if w, ok := known[j.at]; ok {
					out[j.at] = watched(j.check, w)
					continue
				}
				out[j.at] = readings(j.check, Measure(ctx, j.opts, s.Measure))
			}
		})
	}
	wg.Wait()
	return out
}

// watched judges what a running watch says.
func watched(check string, w Sight) Result {
	if w.Lost {
		found := "the benchvigil that runs gets no readings"
		if w.Error != "" {
			found += ": " + w.Error
		}
		return Result{check, Failed, found, "look whether it is switched on, at its cable and at its address", Hardware}
	}
	return Result{Check: check, Verdict: OK, Found: "the benchvigil that runs reads it: " + shown(w.Power, w.Celsius)}
}

// keyOf is what the configuration calls the instrument of a channel.
func keyOf(channel string) string {
	switch channel {
	case bench.ChannelVBUS:
		return "vbus_meter"
	case bench.ChannelThermometer:
		return "thermometer"
	}
	return "supply"
}

// Measured is what an instrument did while it was read as by the watch.
type Measured struct {
	Name     string // its answer to *IDN?
	Refusal  error  // why there was none
	Last     bench.Power
	Celsius  unit.Maybe[unit.Temperature]
	Readings uint64
	Over     time.Duration // from the first to the last reading
	Every    time.Duration // asked for
	Streams  bool          // it prints when it likes and is not asked
	Trouble  string        // what the source complained of last
}

// Rate is readings a second, 0 where there are too few to tell.
func (m Measured) Rate() float64 {
	if m.Readings < 2 || m.Over <= 0 {
		return 0
	}
	return float64(m.Readings-1) / m.Over.Seconds()
}

// Measure asks an instrument who it is and reads it as the watch does.
func Measure(ctx context.Context, o supply.Options, length time.Duration) Measured {
	m := Measured{Every: cmp.Or(o.Every, supply.DefaultEvery), Streams: o.Pattern != ""}
	if !m.Streams {
		m.Name, m.Refusal = supply.Ask(ctx, o.Address, "*IDN?", max(time.Second, o.Timeout))
	}
	m.Name = strings.TrimSpace(m.Name)
	if ask, ok := errors.AsType[*supply.AskError](m.Refusal); ok && ask.Kind == supply.Unreachable {
		return m
	}
	p, err := supply.New(o)
	if err != nil {
		m.Trouble = err.Error()
		return m
	}
	most := length
	if m.Streams {
		most = max(length, o.Timeout) // it may print that seldom
	}
	ctx, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	begun := time.Now()
	var first, last time.Time
	_ = p.Run(ctx, func(obs bench.Observation) bool { // it never returns an error
		switch f := obs.Fact.(type) {
		case bench.Power:
			m.Readings++
			first, last, m.Last = cmp.Or(first, obs.At), obs.At, f
		case bench.Temperature:
			m.Celsius = unit.Some(f.Celsius)
			if o.Channel == bench.ChannelThermometer {
				m.Readings++
			}
		case bench.Supply:
			m.Trouble = cmp.Or(f.Error, m.Trouble)
		}
		if m.Readings > 0 && time.Since(begun) >= length {
			cancel()
		}
		return true
	})
	m.Over = last.Sub(first)
	return m
}

// slow is the part of the asked rate below which it is worth a word.
const slow = 0.8

// readings judges what an instrument did.
func readings(check string, m Measured) Result {
	ask, _ := errors.AsType[*supply.AskError](m.Refusal)
	switch {
	case ask != nil && ask.Kind == supply.Unreachable:
		return Result{check, Failed, ask.Error(), Reach(ask), Hardware}
	case m.Readings == 0 && m.Streams:
		return Result{
			check, Failed, cmp.Or(m.Trouble, "no line that fits the pattern"),
			"look what it prints, with a terminal program, and make pattern and baud fit that", Hardware,
		}
	case m.Streams:
		return Result{Check: check, Verdict: OK, Found: fmt.Sprintf("a meter that prints by itself, %s, %d lines read", shown(m.Last, m.Celsius), m.Readings)}
	case m.Readings == 0:
		return Result{
			check, Failed, cmp.Or(m.Trouble, "no reading"),
			"benchvigil enroll tries which query it answers; set query, or volts_query and amps_query, to that", Hardware,
		}
	}
	found := fmt.Sprintf("%s, %s", named(m), shown(m.Last, m.Celsius))
	asked := float64(time.Second) / float64(m.Every)
	switch rate := m.Rate(); {
	case rate == 0:
		return Result{check, Attention, found + ", only one reading", "ask it less often: set every, such as every: 1s", Other}
	case rate < slow*asked:
		return Result{
			check, Attention, fmt.Sprintf("%s, %.1f readings a second where %.3g are asked for", found, rate, asked),
			fmt.Sprintf("a drop is then found later: set every: %v or more, or reach the instrument by a faster way", pace(rate)), Other,
		}
	case m.Trouble != "":
		return Result{check, Attention, found + "; it complains: " + m.Trouble, "mend the query that it names", Other}
	default:
		return Result{Check: check, Verdict: OK, Found: fmt.Sprintf("%s, %.1f readings a second", found, rate)}
	}
}

// pace is the interval that an instrument keeps up with, in whole 10 ms.
func pace(rate float64) time.Duration {
	d := time.Duration(float64(time.Second) / rate)
	return (d + 10*time.Millisecond - 1).Truncate(10 * time.Millisecond)
}

func named(m Measured) string {
	if m.Refusal != nil || m.Name == "" {
		return "an instrument that does not say its name"
	}
	return printable(m.Name)
}

// printable makes what an instrument says fit to be shown.
func printable(s string) string {
	const most = 80
	clean := strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, s)
	return clean[:min(most, len(clean))]
}

// shown prints what an instrument gives, whatever it measures.
func shown(p bench.Power, t unit.Maybe[unit.Temperature]) string {
	c, ok := t.Get()
	switch {
	case !ok:
		return Reading(p)
	case p == (bench.Power{}):
		return c.String()
	}
	return Reading(p) + ", " + c.String()
}

// Reading prints volts and amps, whatever of them is known.
func Reading(p bench.Power) string {
	volts, amps := "volts unknown", "amps unknown"
	if v, ok := p.Volts.Get(); ok {
		volts = v.String()
	}
	if a, ok := p.Amps.Get(); ok {
		amps = a.String()
	}
	return volts + ", " + amps
}

// Reach says what to do about an instrument that cannot be reached.
func Reach(err error) string {
	switch {
	case errors.Is(err, fs.ErrPermission):
		return "you may not open it: install the udev rules, or join the group that owns the device (dialout for serial ports), and log in again"
	case errors.Is(err, fs.ErrNotExist):
		return "there is no such device: look at its cable and power, then at /dev/serial/by-id or /dev/usbtmc*"
	}
	return "look whether it is switched on, at its cable and at its address; its menu must allow remote control over the network (often port 5025)"
}
