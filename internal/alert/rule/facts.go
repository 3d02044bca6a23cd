package rule

import (
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Limits of the two lines of a lock screen, in characters, and of the rest.
const (
	mostTitle = 60
	leastName = 6
	mostText  = 140
	mostStake = 60
	mostAct   = 34
	mostCase  = 12
	mostWhy   = 200 // characters of a reason
	mostWhys  = 8
)

// facts are what the words of an alert are made of. No mark's words are among
// them.
type facts struct {
	kind     bench.AlertKind
	rule     string
	severity bench.Severity
	station  string // ID; empty: the bench
	name     string
	caseNo   string
	since    time.Time
	zone     *time.Location

	how    string // kind of a drop, of a high current
	mode   string // the family's word for it
	goal   string // in its text form; of a drop: the one that failed by it
	uptime unit.Maybe[time.Duration]
	window unit.Maybe[time.Duration]
	amps   unit.Maybe[unit.Current] // now
	before unit.Maybe[unit.Current] // just before
	why    []string
	event  string
	odds   string
	draw   *Draw
	until  time.Time // when somebody watched again: of unwatched, of what happened unseen
	unseen bool      // it happened while nobody watched: since is when it was last seen well

	again  int       // further drops of this occurrence
	latest time.Time // the last of them

	others, ports []string // of a cause: IDs and ports of its stations, in order
	down          int      // how many of them are not back
	goals         int      // how many of them had a goal armed
	quiet         int      // how many of those are silent alone: their boards may be up
	silent        bool     // all of them are
}

func (f *facts) point() bench.AlertPoint {
	return bench.AlertPoint{Station: f.station, Kind: f.kind, Rule: f.rule}
}

// at prints a moment as the clock on the wall shows it.
func (f *facts) at(t time.Time) string {
	if f.zone != nil {
		t = t.In(f.zone)
	}
	return t.Format(time.TimeOnly)
}

// factsOf are what an alert tells of its facts, for one that stood before.
func factsOf(a *bench.Alert) facts {
	return facts{
		kind: a.Kind, rule: a.Rule, severity: a.Severity, station: a.Station, name: a.Name, caseNo: a.Case, since: a.Since,
		why: a.Why, event: a.Event, amps: a.Amps, before: a.Before, others: a.Others, again: max(a.Times-1, 0), latest: a.Latest,
		silent: slices.Contains(a.Why, allSilent),
	}
}

// write makes the alert.
func (f *facts) write() bench.Alert {
	w := f.words()
	times := 0
	if f.again > 0 {
		times = f.again + 1
	}
	return bench.Alert{
		Key: f.point().KeyAt(f.since), Kind: f.kind, Rule: f.rule, Severity: f.severity,
		Station: f.station, Name: f.name, Others: f.others, Case: f.caseNo,
		Title: f.title(w.what), Text: f.text(w), Why: f.whys(w), Do: w.do,
		Since: f.since, Amps: f.amps, Before: f.before, Event: f.event, Times: times, Latest: f.latest,
	}
}

// title is who, what and since when. What is too long is cut where it matters
// least: the name.
func (f *facts) title(what string) string {
	when := f.when()
	room := mostTitle - utf8.RuneCountInString(when)
	tail := ": " + what
	if f.caseNo != "" && f.station != "" {
		tail = ", case " + clip(f.caseNo, mostCase) + tail
	}
	tail = clip(tail, room-leastName)
	who := f.name
	switch {
	case f.station == "":
		who = "Bench"
	case who == "":
		who = f.station
	}
	return clip(who, room-utf8.RuneCountInString(tail)) + tail + when
}

// when is the moment as a title says it: of what happened unseen, from when to
// when it can have been.
func (f *facts) when() string {
	switch {
	case f.how == bench.Unproven:
		return " till " + f.at(f.since)
	case !f.unseen || f.again > 0:
		return " " + f.at(f.since)
	case f.until.IsZero():
		return " unseen, after " + f.at(f.since)
	}
	return " between " + f.at(f.since) + " and " + f.at(f.until)
}

// text is what is at stake, the current, the reason and what to do; the reason
// gets the room that the others leave.
func (f *facts) text(w words) string {
	parts := []string{sentence(clip(w.stake, mostStake-1))}
	if f.station != "" {
		parts = append(parts, sentence(f.draws()))
	}
	act := sentence(clip(w.act, mostAct-1))
	room := mostText - utf8.RuneCountInString(strings.Join(parts, " ")+" "+act) - 2
	if reason := f.reason(w); reason != "" && room > 4 {
		parts = append(parts, clip(sentence(reason), room))
	}
	return strings.Join(append(parts, act), " ")
}

// draws is the current now and just before.
func (f *facts) draws() string {
	now := "no reading"
	if amps, ok := f.amps.Get(); ok {
		now = "now " + amps.String()
	}
	if before, ok := f.before.Get(); ok {
		return now + ", before " + before.String()
	}
	return now
}

// reason is the likely reason with the weightiest piece of evidence.
func (f *facts) reason(w words) string {
	first := f.weightiest()
	switch {
	case w.reason == "":
		return first
	case first == "":
		return w.reason
	}
	return w.reason + ": " + first
}

// weightiest is the piece of evidence to show where there is room for one. Of a
// drop the first says that it was one, the second what the supply did. The current
// now stands before it, and is not said twice.
func (f *facts) weightiest() string {
	why := f.why
	switch {
	case f.odds != "":
		return f.odds
	case f.kind == bench.AlertDropped && f.how != "" && f.how != bench.Unproven && !f.unseen && len(why) > 1:
		why = why[1:]
	case len(why) > 0 && f.amps.Known() && flows.MatchString(why[0]):
		why = why[1:]
	}
	if len(why) == 0 {
		return ""
	}
	return shortened(why[0])
}

// flows matches evidence that is the current now and no more.
var flows = regexp.MustCompile(`^\S+ \S*A flows$`)

// noRest matches the last part of a length of time that has none of it.
var noRest = regexp.MustCompile(`\b(\d+ (?:h|min)) 00? (?:min|s)\b`)

// shortened says "3 h" for "3 h 0 min".
func shortened(text string) string { return noRest.ReplaceAllString(text, "$1") }

// whys are all the evidence, the reason first unless it is told there.
func (f *facts) whys(w words) (out []string) {
	if slices.ContainsFunc(f.why, func(why string) bool { return strings.Contains(why, w.reason) }) {
		w.reason = ""
	}
	for _, why := range slices.Concat([]string{w.reason, f.odds}, f.why, w.more) {
		if len(out) < mostWhys && why != "" {
			out = append(out, clip(shortened(why), mostWhy))
		}
	}
	return out
}

// clip puts text on one line of so many characters at most. It cuts between words
// where there are several.
func clip(text string, most int) string {
	text = strings.Join(strings.Fields(text), " ")
	if utf8.RuneCountInString(text) <= most {
		return text
	}
	if most < 1 {
		return ""
	}
	runes := []rune(text)
	kept := string(runes[:most-1])
	if space := strings.LastIndexByte(kept, ' '); space > 0 && runes[most-1] != ' ' {
		kept = kept[:space]
	}
	return strings.TrimRight(kept, " ,;:") + "…"
}

// sentence begins with a capital and ends with a full stop.
func sentence(text string) string {
	if text == "" {
		return ""
	}
	first, n := utf8.DecodeRuneInString(text)
	text = strings.ToUpper(string(first)) + text[n:]
	if strings.HasSuffix(text, "…") || strings.HasSuffix(text, ".") {
		return text
	}
	return text + "."
}
