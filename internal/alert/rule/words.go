package rule

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// words are the pieces of an alert. Stake and act are cut at mostStake and
// mostAct, and no shipped one is that long.
type words struct {
	what   string   // in the title, between who and since when
	stake  string   // what is at stake
	reason string   // the likely reason, before its evidence; empty: the evidence alone
	act    string   // what to do, in a few words
	do     string   // what to do
	more   []string // further evidence
}

// table holds the words of each kind.
var table = map[bench.AlertKind]func(*facts) words{
	bench.AlertDropped: dropWords,
	bench.AlertStalled: func(f *facts) words {
		return words{
			what: "stalled", stake: f.in("%s stands still", "it stands still"), act: "Look at screen and host",
			do:   "Look at the screen and at the host. Keep the power on until you know: losing it in a restore can lose the data.",
			more: f.armed(),
		}
	},
	bench.AlertHighAmps: func(f *facts) words {
		if f.how == bench.Leak {
			return words{
				what: "leaks in standby", stake: "heat, and a board that may not start", act: "Find what gets warm",
				do: "Take the power off and look for what gets warm, before the next start.", more: f.armed(),
			}
		}
		return words{
			what: "over its limit", stake: f.in("heat in %s, a part may fail", "heat, a part may fail"), act: "Check for heat, or switch off",
			do: "Look for what gets hot. Switch the output off, unless a restore goes on that matters more than the part.", more: f.armed(),
		}
	},
	bench.AlertCollapsed: func(f *facts) words {
		return words{
			what: "volts collapsed", stake: f.in("in %s, it may drop any moment", "it may drop at any moment"), act: "Check limit, leads and shorts",
			do: "Compare the supply's limit with what the family draws, check the leads, and look for a short.", more: f.armed(),
		}
	},
	bench.AlertDrifting: func(f *facts) words {
		return words{
			what: "current drifts", stake: f.in("in %s, a part may be failing", "a part may be failing"), act: "Watch its heat and current",
			do: "Watch the current and feel for heat. If it goes on, end the run while you choose the moment.", more: f.armed(),
		}
	},
	bench.AlertDraw: drawWords,
	bench.AlertStartHung: func(f *facts) words {
		return words{
			what: "start hangs", stake: "it has not come up", act: "Check screen, start it again",
			do: "Look at the screen. If it shows nothing new, switch off, check the leads and connectors, and start again.", more: f.armed(),
		}
	},
	bench.AlertAtRisk: func(f *facts) words {
		return words{
			what: "window at risk", stake: "it may not last " + f.wanted(), act: "Reseat or swap before more",
			do: "Start nothing that cannot be interrupted. Reseat the connectors or swap a part, and mark the new hook-up.", more: f.armed(),
		}
	},
	bench.AlertLate: func(f *facts) words {
		return words{
			what: "goal is late", stake: "not yet: " + f.goal, act: "Look, then wait on or stop",
			do: "Look at the screen and at the host, then arm the goal again to wait on, or stop the run.",
		}
	},
	bench.AlertSupplyLost: func(f *facts) words {
		return words{
			what: "no readings", stake: "a drop may be seen late or never", act: "Check instrument and its cable",
			do: "Check that the instrument is on and that its cable or network holds.", more: f.armed(),
		}
	},
	bench.AlertWindowMet: func(f *facts) words {
		return words{
			what: "window met", stake: "up for " + f.wanted() + " and still up", act: "Go on with the next step",
			do: "Go on with the next step while it is up.",
		}
	},
	bench.AlertGoalDone: func(f *facts) words {
		return words{
			what: "goal reached", stake: "reached: " + f.goal, act: "Go on with the next step",
			do: "Go on with the next step while it is up.",
		}
	},
	bench.AlertRegular: func(f *facts) words {
		return words{
			what: "regular drops", stake: "it will hardly last " + f.wanted(), act: "Look for a part that is missing",
			do: "Look for a sensor or part that is missing: drops after the same time point at a timer (common practice).",
		}
	},
	deviceGone: func(*facts) words { // never told alone
		return words{what: "left USB", stake: "the host does not see it", act: "Check its cable", do: "Check its cable."}
	},

	bench.AlertUSBLost: func(*facts) words {
		return words{
			what: "USB watch lost", stake: "no device is seen at any station", act: "Check the log and USB access",
			do: "Look at the log for what it complains of. Until it is back only readings tell of drops.",
		}
	},
	bench.AlertHubLost:   hubWords,
	bench.AlertPowerLost: powerWords,
	bench.AlertLedger: func(*facts) words {
		return words{
			what: "ledger not written", stake: "what happens now may be lost", act: "Check disk space and disk",
			do: "Make room on the disk or see what is wrong with it. The watch and its alerts go on from memory.",
		}
	},
	bench.AlertOutlet: outletWords,
	bench.AlertConfig: func(*facts) words {
		return words{
			what: "configuration refused", stake: "the one before stays in force", act: "Mend the file, then reload",
			do: "Mend the file where the reason says, then reload.",
		}
	},
	bench.AlertUnwatched: unwatchedWords,
	bench.AlertTest: func(*facts) words {
		return words{what: "test alert", stake: "nothing is wrong", act: "Acknowledge it", do: "Acknowledge it, so that the way back is tested too."}
	},
}

// words finds the words of the alert's kind.
func (f *facts) words() words {
	if w := table[f.kind]; w != nil {
		return w(f)
	}
	return words{what: string(f.kind), stake: "the bench needs somebody", act: "Look at the bench", do: "Look at the bench."}
}

// Test makes an alert that nothing is wrong with, to try out the ways to people.
func Test(at time.Time, zone *time.Location) bench.Alert {
	f := facts{kind: bench.AlertTest, severity: bench.Notice, since: at, zone: zone, why: []string{"somebody asked for it"}}
	a := f.write()
	a.Passing = true
	return a
}

// drops are the words of each kind of drop: its likely reason and what to do.
var drops = map[string]words{
	"":             {reason: "down, not yet known how", act: "Look at the board now", do: "Look at the board now: in a moment it is known whether it came back by itself."},
	bench.Died:     {reason: "stays off", act: "Check leads, then start it", do: "Check supply, leads and connectors, then start it again."},
	bench.Reset:    {reason: "came back by itself", act: "See whether it holds now", do: "See whether it holds now. If it drops again after the same time, look for a missing part."},
	bench.BrownOut: {reason: "supply too weak", act: "Check limit, leads and volts", do: "Compare the supply's limit with what the family draws, check volts at the board and the leads."},
	bench.Unproven: {act: "Look at its screen", do: "Look at the screen: see whether it goes on with what it did, or has started anew. If so, begin again what was lost."},
	bench.LinkLost: {reason: "no readings to ask", act: "Check cable, hub and power", do: "Check whether the board has power, then cable and hub."},
}

func dropWords(f *facts) words {
	w, known := drops[f.how]
	if !known {
		w = drops[""]
	}
	w.what, w.stake = "dropped", f.lasted()
	switch {
	case f.how == bench.Unproven:
		w.what, w.stake = "perhaps dropped, unseen", "may have dropped while nobody watched"
	case f.unseen:
		w.stake += " when last seen"
		w.reason = "went down while nobody watched"
	case f.how != "" && known:
		w.what += " (" + f.how + ")"
	}
	if f.mode != "" {
		w.more = append(w.more, "it was "+f.mode)
	}
	if f.again > 0 {
		w.what = fmt.Sprintf("%d drops since", f.again+1)
		w.more = append(w.more, "the last time at "+f.at(f.latest))
	}
	if f.goal != "" {
		w.stake = f.withGoal(w.stake)
		w.more = append(w.more, "armed: "+f.goal)
	}
	return w
}

// withGoal adds the goal to what is at stake.
func (f *facts) withGoal(stake string) string {
	if f.how == bench.Unproven {
		return stake + ", " + named(f.goal)
	}
	return named(f.goal) + " lost, " + stake
}

// named is a goal with the word for it, and that alone where its text is unknown.
func named(goal string) string {
	if goal == someGoal {
		return "goal"
	}
	return "goal " + goal
}

// lasted is how long a run was up: against its window, unless a goal was what
// mattered.
func (f *facts) lasted() string {
	up, known := f.uptime.Get()
	window, wanted := f.window.Get()
	switch {
	case !known:
		return "it was up"
	case !wanted || window <= 0 || f.goal != "":
		return "up " + bench.InWords(up)
	case up >= window:
		return "up " + bench.InWords(up) + ", window " + bench.InWords(window) + " met"
	}
	return "up " + bench.InWords(up) + " of " + bench.InWords(window)
}

func drawWords(f *facts) words {
	w := words{
		what: "draw " + clip(f.rule, 14), stake: "its rule of draw is met", act: "Look at the board",
		do: "Look at the board, and do what the rule was written for.", more: f.armed(),
	}
	if f.draw != nil {
		w.stake = f.draw.String()
	}
	return w
}

// String says in a few words what the rule is about.
func (d *Draw) String() string {
	amps := func(a float64) string { return unit.FromAmps(a).String() }
	text := ""
	switch {
	case d.Change > 0:
		text = "changed by over " + amps(d.Change) + " in " + even(d.Within)
	case d.Above > 0 && d.Below > 0:
		text = "outside " + amps(d.Below) + " to " + amps(d.Above)
	case d.Above > 0:
		text = "above " + amps(d.Above)
	default:
		text = "below " + amps(d.Below)
	}
	if d.For > 0 {
		text += " for " + even(d.For)
	}
	return text
}

// even prints a length that somebody chose: "1 min" for 60 s.
func even(d time.Duration) string {
	switch {
	case d%time.Hour == 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d%time.Minute == 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return bench.InWords(d)
}

func outletWords(f *facts) words {
	w := words{
		what: "outlet " + clip(f.rule, 24) + " fails", stake: "who is told by it hears nothing", act: "Check its address and network",
		do: "Check the outlet's address, its key and the network, then send a test.",
	}
	if len(f.why) > 0 && strings.Contains(f.why[0], "has subscribed") { // nothing is wrong with the way there
		w.act, w.do = "Open /phone on that phone", "Open /phone on that phone and let it show alerts, then send a test."
	}
	return w
}

func hubWords(f *facts) words {
	where := "hub " + f.rule
	if !strings.Contains(f.rule, "-") {
		where = "USB bus " + f.rule
	} else if narrow := commonHub(f.ports); narrow != "" {
		where = "hub " + narrow
	}
	return words{
		what: clip(where, 20) + " lost " + stations(len(f.others)), stake: f.atStake(),
		reason: "all left USB at once", act: "Check the hub, its power, cable",
		do: "Check the hub, its power and its cable. The boards may still have power: look before you restart any.",
	}
}

func powerWords(f *facts) words {
	where, fall := "supply "+clip(f.rule, 15), " down, "
	if f.rule == "" {
		where = "power"
	}
	if f.silent {
		fall = " silent, "
	}
	w := words{
		what: where + fall + stations(len(f.others)), stake: f.atStake(),
		reason: "all went down at once", act: "Check supply, fuse and mains",
		do: "Check the supply, its fuse and the mains, then each board: start again what has to go on.",
	}
	switch {
	case f.quiet > 0 && !f.silent:
		w.reason = "all at once"
	case f.silent:
		w.reason, w.act = allSilent, "Check the supply and its cable"
		w.do = "Check that the supply is on and that its cable or network holds, then look at each board: nobody knows whether it is up."
	}
	return w
}

// allSilent is the reason of a cause by which no board is known to be down.
const allSilent = "silent for all at once"

// atStake says how many stations are not back, and had a goal.
func (f *facts) atStake() string {
	part := stations(f.down)
	if f.down < len(f.others) {
		part = strconv.Itoa(f.down) + " of " + stations(len(f.others))
	}
	text := ""
	switch {
	case f.silent:
		text = "no readings from " + part
	case f.quiet > 0:
		text = stations(f.down-f.quiet) + " down, " + strconv.Itoa(f.quiet) + " silent"
	case f.down < len(f.others):
		text = strconv.Itoa(f.down) + " of " + strconv.Itoa(len(f.others)) + " still down"
	default:
		text = part + " down"
	}
	if f.goals > 0 {
		text += ", " + strconv.Itoa(f.goals) + " with a goal"
	}
	return text
}

// inLines joins names, in as many pieces of evidence as that takes.
func inLines(names []string) (lines []string) {
	line, between := "", ", "
	if slices.ContainsFunc(names, func(n string) bool { return strings.Contains(n, ",") }) {
		between = "; "
	}
	for _, n := range names {
		n = clip(n, mostWhy/2)
		switch {
		case line == "":
			line = n
		case len(line)+len(n)+2 > mostWhy:
			lines, line = append(lines, line), n
		default:
			line += between + n
		}
	}
	return append(lines, line)
}

func stations(n int) string {
	if n == 1 {
		return "1 station"
	}
	return strconv.Itoa(n) + " stations"
}

// commonHub is the narrowest hub that all ports are behind, empty where there is
// none.
func commonHub(ports []string) string {
	if len(ports) == 0 {
		return ""
	}
	common := strings.Split(ports[0], ".")
	common = common[:len(common)-1]
	for _, p := range ports[1:] {
		parts := strings.Split(p, ".")
		n := 0
		for n < len(common) && n < len(parts) && common[n] == parts[n] {
			n++
		}
		common = common[:n]
	}
	return strings.Join(common, ".")
}

func unwatchedWords(f *facts) words {
	w := words{
		what: "nobody watched from", stake: "drops in that time are not known", act: "Look at each station; goals go on",
		do: "Look at each station. Armed goals go on: a station whose board may have dropped has an alert of its own.",
	}
	if f.down > 0 {
		w.stake = stations(f.down) + ": " + w.stake
	}
	if gap, known := f.uptime.Get(); known {
		w.what = "unwatched " + bench.InWords(gap) + " from"
		w.more = []string{"watched again at " + f.at(f.until)}
	}
	return w
}

// in says something with the mode in its words, or without where it is not known.
func (f *facts) in(with, without string) string {
	if f.mode == "" || f.mode == string(bench.Unknown) {
		return without
	}
	return fmt.Sprintf(with, clip(f.mode, 14))
}

// armed is the goal, as further evidence of what is at stake.
func (f *facts) armed() []string {
	if f.goal == "" {
		return nil
	}
	return []string{"armed: " + f.goal}
}

// wanted is the window in words.
func (f *facts) wanted() string {
	if window, known := f.window.Get(); known && window > 0 {
		return bench.InWords(window)
	}
	return "its window"
}
