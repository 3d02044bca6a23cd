package infer

import (
	"fmt"
	"slices"
	"time"

	"benchvigil/internal/bench"
)

// say makes one piece of evidence in plain words.
func say(format string, args ...any) string { return fmt.Sprintf(format, args...) }

// words prints a length of time as people say it: "0.3 s", "42.0 s", "3 min 30 s",
// "3 h".
func (t ms) words() string {
	switch d := t.span(); {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < time.Hour:
		return inParts(d/time.Minute, "min", d%time.Minute/time.Second, "s")
	default:
		return inParts(d/time.Hour, "h", d%time.Hour/time.Minute, "min")
	}
}

// inParts leaves the smaller part out where there is nothing of it.
func inParts(whole time.Duration, unit string, rest time.Duration, small string) string {
	if rest == 0 {
		return fmt.Sprintf("%d %s", whole, unit)
	}
	return fmt.Sprintf("%d %s %d %s", whole, unit, rest, small)
}

func reasons(text string) []string {
	if text == "" {
		return nil
	}
	return []string{text}
}

func (e *Engine) whySilent(t, since ms) []string {
	why := []string{say("no good reading for %s", (t - since).words())}
	if e.s.Power.Last != 0 {
		why = append(why, say("the last one was %v", e.s.Power.Amps))
	}
	if e.s.Supply.Reason != "" {
		why = append(why, e.s.Supply.Reason)
	}
	return why
}

func (e *Engine) whyHeld(then string) []string {
	v, ok := e.s.Power.Volts.Get()
	if !ok {
		return []string{then}
	}
	return []string{say("the supply held %v", v), then}
}

func (e *Engine) whyMissed(r runState, at ms) []string {
	if r.Origin == 0 || at < r.Origin {
		return []string{"it dropped before it had started"}
	}
	return []string{say("up for %s of %s", (at - r.Origin).words(), e.window.words())}
}

func (e *Engine) whyUp() []string {
	var why []string
	if e.st.Hookup.Path == bench.FromSupply && e.s.Power.Last != 0 {
		why = append(why, say("%v flows", e.s.Power.Amps))
	}
	if e.s.USB.Present {
		why = append(why, say("%v on USB since %s", e.s.USB.ID, (e.s.Now-e.s.USB.Since).words()))
	}
	if e.spans() {
		why = append(why, e.whyUnwatched(), e.s.Gap.Why)
	}
	if e.marksOnly() {
		why = append(why, say("by the clock alone: %s saw the screen last, %s ago", orSomebody(e.s.Screen.By), (e.s.Now-e.s.Screen.At).words()))
	}
	return why
}

func (e *Engine) whyAmong(m bench.Mode) string {
	level, ok := e.s.Power.Level.Get()
	switch {
	case !e.s.USB.Present && ok:
		return say("%v flows and the bus tells nothing", level)
	case !e.s.USB.Present && !e.blind(e.s.Now):
		return say("%v flows and the bus tells nothing", e.s.Power.Amps)
	case !e.s.USB.Present:
		return say("nothing on USB, most often %s", e.p.Label(m))
	case !ok && e.s.Power.Last == 0 && e.st.Hookup.Path == bench.FromSupply:
		return say("%v on USB, and no reading yet", e.s.USB.ID)
	case !ok && !e.blind(e.s.Now):
		return say("%v on USB and %v flows", e.s.USB.ID, e.s.Power.Amps)
	case !ok:
		return say("%v on USB, most often %s", e.s.USB.ID, e.p.Label(m))
	}
	return say("%v on USB and %v flows", e.s.USB.ID, level)
}

// whyBelieved says what weighed for a mode that the filter chose: what is seen,
// what the modes it was chosen from draw, and what the current and the bus do.
func (e *Engine) whyBelieved(m bench.Mode) []string {
	why := []string{e.whyAmong(m)}
	from := e.s.Mode.Mode
	if from == bench.Starting {
		return append(why, say("a start usually takes %s", millis(e.p.Spec(from).Typical).words()))
	}
	if to, was := e.drawn(m), e.drawn(from); to != "" && was != "" && e.isOpen(e.m.index(from)) {
		why = append(why, say("%s draws %s, %s %s", e.p.Label(m), to, e.p.Label(from), was))
	}
	switch calm := !e.s.Move.Lively && e.s.Power.Level.Known(); {
	case m == bench.Asleep && calm:
		why = append(why, "the current is calm")
	case e.s.Belief.Still >= newsFor && e.countsTraffic(e.s.Now):
		why = append(why, "the bus is silent")
	}
	return why
}

// drawn is what a mode usually draws, in words.
func (e *Engine) drawn(m bench.Mode) string {
	spec := e.p.Spec(m)
	if spec == nil {
		return ""
	}
	b, ok := spec.Band(e.st.Hookup)
	if !ok {
		return ""
	}
	return say("%v to %v", b.Low, b.High)
}

func (e *Engine) whyNothing(t ms) string {
	if away, ok := e.leftFor(t); ok {
		return say("nothing on USB for %s, and the current alone does not tell", away.words())
	}
	return "nothing on USB, and the current alone does not tell"
}

func (e *Engine) whyHung() []string {
	why := []string{say("starting for longer than %s", millis(e.p.Spec(bench.Starting).Most).words())}
	if e.absent() {
		why = append(why, "nothing has come up on USB")
	}
	if !e.blind(e.s.Now) {
		why = append(why, say("%v flows", e.s.Power.Amps))
	}
	return why
}

func (e *Engine) whyStalled(t, since ms) []string {
	why := []string{say("nothing moved for %s", (t - since).words())}
	if n, ok := e.s.USB.URBs.Get(); ok && e.countsTraffic(t) {
		why = append(why, say("fewer than %.3g transfers a second on the bus, %d in all", e.workRate(), n))
	} else {
		why = append(why, "no traffic count: the evidence is weak")
	}
	if level, ok := e.s.Power.Level.Get(); ok && !e.s.Move.Lively {
		why = append(why, say("the current stays at %v", level))
	}
	return why
}

func (e *Engine) whyRegular(p float64, alike int) []string {
	d := e.s.Drops[len(e.s.Drops)-alike:]
	chance := "less than once in 1,000,000"
	if p > 1e-6 {
		chance = say("once in %.0f", 1/p)
	}
	return []string{
		say("the last %d runs dropped %s to %s after their start", len(d), slices.Min(d).words(), slices.Max(d).words()),
		say("drops at random look like that %s times", chance),
		"that points at a timer: a part that is missing, rather than a fault that strikes at random (common practice)",
	}
}
