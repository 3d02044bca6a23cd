package web

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// Brief is what a tile on a wall has no room for in full. Empty: the full words
// are brief.
type Brief struct {
	Wait  string // what is being waited for
	Since string // since when it is up
}

// Tile is one station as a person sees it: nothing but what is displayed, and
// a severity. An empty string is not shown.
type Tile struct {
	Station  string
	Number   int // the key that selects it; 0: none
	Name     string
	Case     string // number of the case
	Severity Severity
	State    string // the most urgent thing, in a word or two
	Old      bool   // its data has stopped coming: it must look old
	Mode     string // the family's own word
	ModeToo  string // our word, where the family uses another
	ModeFor  string

	Uptime string // how long the run has gone on
	Since  string
	Wait   string // what is being waited for
	Brief  Brief  // the same where there is little room
	Window string // how long it takes
	Until  string // what happens then: it ends, or it is late
	End    string // when it should end
	Left   string // until then
	Done   string // how much of the window is over, in percent

	Ahead  string // what can be expected of it
	Expect string // when the work under way should end: from and to

	Amps, Volts string // the last good reading
	Reading     string // why there is none, or how old it is
	Shape       Sparkline
	Bus         string // what USB bus power gives, where it feeds the board or is metered
	Warmth      string // the temperature beside the board

	Hands     string // until when somebody is at the station
	HandsLeft string // how long that is
	Seen      string // the screen that somebody saw last
	SeenBy    string // who, and when
	Goal      string // what is armed
	GoalBy    string // who armed it, and when
	Marks     *Marks // what can be marked; nil: nothing

	HasAlerts bool    // alerts are kept: there is room for one
	Call      *Alarm  // the weightiest alert of the station that calls for somebody
	Rest      string  // how many others it has, in words
	Alarms    []Alarm // all that concern it, those of the bench too

	Troubles []Trouble // what somebody must know now, most urgent first
	Notes    []Trouble // what is worth knowing
	USB      string
	Events   []Line // newest first
	Earlier  []Line // those before, where there is room
	Counts   string
}

// Trouble is one thing that is wrong or worth knowing.
type Trouble struct {
	Severity Severity
	State    string // for the head of the tile; empty: never says it there
	Text     string
}

// Line is one event.
type Line struct {
	At, Text string
	Why      string // the evidence
}

// mostLines is how many events a tile shows, and how many earlier ones a page
// with more room has.
const mostLines = 4

// oldReading is the age from which a reading that still stands shows its age.
const oldReading = 3 * time.Second

// tileOf maps a snapshot to what is shown of it. Silent says that the
// station's snapshots have stopped coming. It is pure.
func tileOf(s *bench.Snapshot, zone *time.Location, silent bool) Tile {
	c := clock{zone, s.At}
	t := Tile{
		Station: s.Station, Name: nameOf(s), Case: s.Case, Old: silent,
		Shape: sparkline(s), USB: usbLine(s, c), Counts: counts(s), Marks: marksOf(s),
	}
	all := happenings(s, c)
	t.Events = all[:min(len(all), mostLines)]
	t.Earlier = all[len(t.Events):min(len(all), 2*mostLines)]
	told := troubles(s, c, silent)
	t.Severity, t.State = judge(s, told)
	notes := slices.IndexFunc(told, func(t Trouble) bool { return t.Severity <= Normal })
	if notes < 0 {
		notes = len(told)
	}
	t.Troubles, t.Notes = told[:notes], told[notes:]
	t.showMode(s)
	t.showRun(s, c)
	t.showAhead(s, c)
	t.showReading(s)
	t.showBus(s)
	t.showTemperature(s, c)
	t.showPeople(s, c)
	return t
}

// judge finds the severity and the word at the head of the tile.
func judge(s *bench.Snapshot, troubles []Trouble) (Severity, string) {
	severity, state := Neutral, "No run"
	switch {
	case s.Run == nil:
	case s.Run.WindowMet.IsZero():
		severity, state = Normal, "Up"
	default:
		severity, state = Normal, "Window met"
	}
	for _, t := range troubles {
		if t.Severity >= severity && t.State != "" {
			return t.Severity, t.State
		}
	}
	return severity, state
}

func (t *Tile) showMode(s *bench.Snapshot) {
	mode := cmp.Or(s.Mode, bench.Unknown)
	t.Mode = capital(cmp.Or(s.Label, string(mode)))
	if !strings.EqualFold(t.Mode, string(mode)) {
		t.ModeToo = string(mode)
	}
	if !s.ModeSince.IsZero() {
		t.ModeFor = "for " + span(s.At.Sub(s.ModeSince))
	}
}

func (t *Tile) showRun(s *bench.Snapshot, c clock) {
	if s.Run != nil {
		t.Uptime, t.Since = span(s.Run.Uptime), "since "+c.at(s.Run.Start)
		if s.Run.Assumed {
			t.Since, t.Brief.Since = "or longer: up at first sight, "+c.at(s.Run.Start), "or longer"
		}
		if from := s.Run.SureFrom; !from.IsZero() {
			t.Uptime, t.Since, t.Brief.Since = span(s.At.Sub(from)), "or longer: not watched until "+c.at(from), "or longer"
		}
	}
	switch {
	case s.Watch != nil:
		t.showGoal(s, c)
	case s.Run == nil:
		t.Wait = waitWithoutRun(s)
		t.Brief.Wait = briefWait(s)
	case s.Window > 0:
		t.showWindow(s, c)
	}
}

func waitWithoutRun(s *bench.Snapshot) string {
	switch {
	case marksOnly(s):
		return "Waiting for somebody to mark a screen"
	case s.StillPowered():
		return "Stopped, still powered: the next run starts after off was seen"
	case s.Waiting:
		return "Stopped: the next run starts after off was seen"
	case s.Mode == bench.Off:
		return "Waiting for power"
	case s.Mode == bench.Standby:
		return "Waiting for the board to start"
	default:
		return "Waiting for a run"
	}
}

// briefWait is the same in the fewest words, empty where there are no fewer.
func briefWait(s *bench.Snapshot) string {
	switch {
	case marksOnly(s):
		return "Waiting for a mark"
	case s.StillPowered():
		return "Stopped, still powered"
	case s.Waiting:
		return "Stopped, off not seen"
	}
	return ""
}

// showWindow says how far the run has come against the window. That a window
// is over is not yet that it is met: this needs good evidence.
func (t *Tile) showWindow(s *bench.Snapshot, c clock) {
	r := s.Run
	end := r.Origin.Add(s.Window)
	t.Window, t.Done = "("+spanRound(s.Window)+")", "100"
	switch {
	case !r.WindowMet.IsZero():
		t.Wait = "Window met at " + c.at(r.WindowMet)
	case r.Origin.IsZero():
		t.Wait, t.Done = "Window begins after the start", "0"
	case !s.At.Before(end):
		t.Wait = "Window over, not proven yet"
	default:
		spent := max(s.At.Sub(r.Origin), 0)
		t.Wait, t.Window = "Window", span(spent)+" of "+spanRound(s.Window)
		t.Until, t.End, t.Left = "ends", c.at(end), span(end.Sub(s.At).Round(time.Second))
		t.Done = fmt.Sprintf("%.1f", 100*spent.Seconds()/s.Window.Seconds())
	}
}

// showReading shows the last good reading, unless it is no longer true.
func (t *Tile) showReading(s *bench.Snapshot) {
	r := s.Reading
	switch {
	case marksOnly(s):
		t.Reading = "On battery: led by marks and the clock"
	case s.Hookup.Path == bench.FromBattery:
		t.Reading = "On battery: no readings"
	case r.At.IsZero():
		t.Reading = "No reading yet"
	case !s.SupplyLost.IsZero():
		t.Amps, t.Reading = "–", span(s.At.Sub(r.At))+" ago: "+readingWords(r)
	default:
		t.Amps, t.Volts = quantity(r.Amps.Get()), quantity(r.Volts.Get())
		if age := s.At.Sub(r.At); age > oldReading {
			t.Reading = "read " + span(age) + " ago"
		}
	}
}

func readingWords(r bench.ReadingView) string {
	return strings.Trim(quantity(r.Amps.Get())+", "+quantity(r.Volts.Get()), ", ")
}

// quantity prints a known quantity, and nothing for an unknown one.
func quantity[Q fmt.Stringer](q Q, known bool) string {
	if !known {
		return ""
	}
	return q.String()
}

func usbLine(s *bench.Snapshot, c clock) string {
	port := cmp.Or(s.Port, "?")
	switch {
	case !s.Hookup.USB:
		return "No USB port is watched"
	case !s.USBLost.IsZero() && s.USB.Present:
		return fmt.Sprintf("USB port %s: last seen %v", port, s.USB.ID)
	case !s.USBLost.IsZero():
		return fmt.Sprintf("USB port %s: not seen", port)
	case !s.USB.Present:
		return fmt.Sprintf("USB port %s: nothing there", port)
	}
	line := fmt.Sprintf("USB port %s: %v since %s", port, s.USB.ID, c.at(s.USB.Since))
	if s.USB.Serial != "" {
		line += ", serial " + s.USB.Serial
	}
	return line
}

// dropCount says which of the drops were a person's doing.
func dropCount(n bench.Counts) string {
	all := several(n.Drops, "drop", "drops")
	switch {
	case n.Reclassified == 0:
		return all
	case n.Reclassified >= n.Drops:
		return all + ", yours"
	}
	return fmt.Sprintf("%s, %d yours", all, n.Reclassified)
}

func counts(s *bench.Snapshot) string {
	n := s.Counts
	all := []string{dropCount(n)}
	if n.Stalls > 0 {
		all = append(all, several(n.Stalls, "stall", "stalls"))
	}
	if n.Restarts > 0 {
		all = append(all, several(n.Restarts, "restart", "restarts"))
	}
	if n.BadReadings > 0 {
		all = append(all, several(n.BadReadings, "failed reading", "failed readings"))
	}
	if s.QueueDropped > 0 {
		all = append(all, several(s.QueueDropped, "observation", "observations")+" lost: the watch was too busy")
	}
	return capital(strings.Join(all, ", "))
}
