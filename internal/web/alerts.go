package web

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"

	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// Alarm is one alert as a person sees it.
type Alarm struct {
	Key      string
	ID       string // of its element
	Station  string // ID; empty: the bench
	Severity Severity
	Word     string // the severity in words
	Title    string
	Brief    string // the title without who and since when: for the station's own tile
	Text     string
	Why      []string
	Do       string
	Since    string
	State    string // in words
	Short    string // the same in the fewest words
	Current  string // now, and just before
	Waits    bool   // somebody has to say that they see to it
	Calls    bool   // it stands, is no mere notice, and nobody has said that they see to it
	Over     bool   // nothing stands any more, though nobody has acknowledged it
	News     bool   // nothing ever stood: what was waited for has come, or the like
	Seen     bool   // it stands, and somebody sees to it
	Chosen   bool   // the link that was followed leads to it
	Thumb    bool   // its buttons are at the lower edge of the page
	ByKey    bool   // its button goes by the key A
	Works    bool   // whoever looks at it may do something about it
	CanAck   bool
	CanLater bool
	Shelved  bool
	Out      bool   // of service
	Point    string // what is shelved or taken out of service
	Back     string // the page that its forms go back to
}

// Strip is what stands above the tiles of the wall: alerts of no station, and how
// many wait for somebody anywhere.
type Strip struct {
	Waiting int
	Alarms  []Alarm // mostStrip at most
	More    int     // of the bench, beyond those
}

// mostStrip is how many alerts of the bench stand above the tiles: more would
// take the room of the tiles.
const mostStrip = 2

func (s *Strip) add(a Alarm) {
	if len(s.Alarms) < mostStrip {
		s.Alarms = append(s.Alarms, a)
	} else {
		s.More++
	}
}

// severityOf maps the weight of an alert to the colour and the sign that
// IEC 60073 has for it.
func severityOf(s bench.Severity) Severity {
	switch s {
	case bench.Danger:
		return Danger
	case bench.Caution:
		return Abnormal
	case bench.Notice:
	}
	return Neutral
}

// alarmOf maps an alert to what is shown of it. It is pure.
func alarmOf(v *bench.AlertView, c clock) Alarm {
	return Alarm{
		Key: v.Key, ID: "alert-" + v.Point().String(), Station: v.Station, Point: v.Point().String(),
		Severity: severityOf(v.Severity), Word: string(v.Severity),
		Title: v.Title, Brief: brief(v), Text: v.Text, Why: v.Why, Do: v.Do,
		Since: c.at(v.Since), State: v.StateWords(c.at), Short: v.StateBrief(c.at), Current: currentWords(v),
		Waits: v.State == bench.AlertUnacknowledged || v.State == bench.AlertReturned,
		Calls: v.State == bench.AlertUnacknowledged && v.Severity != bench.Notice,
		Over:  v.State == bench.AlertReturned, News: v.State == bench.AlertReturned && v.Passing,
		Seen: v.State == bench.AlertAcknowledged, Works: true, ByKey: v.State == bench.AlertUnacknowledged && v.Severity != bench.Notice,
		CanAck: v.Can(bench.DeedAcknowledge), CanLater: v.Can(bench.DeedShelve) && v.State != bench.AlertShelved,
		Shelved: v.State == bench.AlertShelved, Out: v.State == bench.AlertOutOfService,
	}
}

// sinceWhen is how a title ends.
var sinceWhen = regexp.MustCompile(`( since)? \d\d:\d\d:\d\d$`)

// brief is the title of an alert without what its station's tile says anyway: who
// it is about, and a time.
func brief(v *bench.AlertView) string {
	what := sinceWhen.ReplaceAllString(v.Title, "")
	if i := strings.LastIndex(what, ": "); i >= 0 && v.Station != "" {
		what = what[i+2:]
	}
	return capital(cmp.Or(what, v.Title))
}

func currentWords(v *bench.AlertView) string {
	now, known := v.Amps.Get()
	before, too := v.Before.Get()
	switch {
	case known && too:
		return now.String() + " now, " + before.String() + " just before"
	case known:
		return now.String() + " now"
	}
	return ""
}

// quietness ranks what nobody has to hear of now behind what they do.
func quietness(v *bench.AlertView) int {
	switch v.State {
	case bench.AlertUnacknowledged:
		return 0
	case bench.AlertReturned:
		return 1
	case bench.AlertAcknowledged:
		return 2
	case bench.AlertSuppressed, bench.AlertShelved:
		return 3
	case bench.AlertOutOfService, bench.AlertNormal:
	}
	return 4
}

// byUrgency puts what needs somebody now first.
func byUrgency(views []bench.AlertView) []bench.AlertView {
	views = slices.DeleteFunc(slices.Clone(views), func(v bench.AlertView) bool { return v.State == bench.AlertNormal })
	slices.SortStableFunc(views, func(a, b bench.AlertView) int {
		return cmp.Or(cmp.Compare(quietness(&a), quietness(&b)), cmp.Compare(severityOf(b.Severity), severityOf(a.Severity)), b.Since.Compare(a.Since))
	})
	return views
}

// showAlerts puts the alerts that stand where they belong: on the tiles of their
// stations, those of the bench above the tiles, and all of them on the list.
func (l *Look) showAlerts(views []bench.AlertView, c clock) {
	for _, v := range byUrgency(views) {
		a := alarmOf(&v, c)
		if a.Waits {
			l.Strip.Waiting++
		}
		l.Alarms = append(l.Alarms, a)
		if a.Out {
			continue
		}
		a.Back = "/"
		if v.Station == "" {
			l.Strip.add(a)
		}
		for i := range l.Grid.Tiles {
			if t := &l.Grid.Tiles[i]; t.Station == v.Station || slices.Contains(v.Others, t.Station) {
				t.Alarms = append(t.Alarms, a)
			}
		}
	}
	for i := range l.Grid.Tiles {
		l.Grid.Tiles[i].showCall()
	}
}

// showCall picks what the tile on the wall says of the station's own alerts: the
// weightiest that calls for somebody, and a count of the others. What is read from
// afar keeps its room.
func (t *Tile) showCall() {
	t.HasAlerts = true
	var waiting, seen, shelved, held int
	for _, a := range t.Alarms {
		switch {
		case a.Station != t.Station: // it stands above the tiles, or on the tile of its station
		case a.Calls && t.Call == nil:
			t.Call = &a
		case a.Waits:
			waiting++
		case a.Seen:
			seen++
		case a.Shelved:
			shelved++
		default:
			held++
		}
	}
	t.Rest = restWords(t.Call != nil, waiting, seen, shelved, held)
}

// restWords counts the alerts of a tile beside the one that it shows.
func restWords(more bool, waiting, seen, shelved, held int) string {
	var parts []string
	for _, p := range []struct {
		n    int
		what string
	}{{waiting, "not acknowledged"}, {seen, "seen to"}, {shelved, "shelved"}, {held, "held back"}} {
		if p.n == 0 {
			continue
		}
		n := strconv.Itoa(p.n)
		if more && len(parts) == 0 {
			n += " more"
		}
		parts = append(parts, n+" "+p.what)
	}
	return strings.Join(parts, ", ")
}

// going gives the forms of alerts the page to go back to.
func going(alarms []Alarm, back string) []Alarm {
	alarms = slices.Clone(alarms)
	for i := range alarms {
		alarms[i].Back = back
	}
	return alarms
}

// Roll is a list of alerts: those in service, and those that somebody switched
// off.
type Roll struct {
	Alarms []Alarm
	Gone   bool // the link that was followed leads to an alert that is over
	Off    []Alarm
	Over   []Alarm // alerts of stations that are over or were news: folded
	Folded string  // how many those are, in words
}

// fold takes aside what is over or was news at the stations, so that on a phone
// the stations are near. What a link led to stays.
func (r Roll) fold() Roll {
	all, news := r.Alarms, 0
	r.Alarms = nil
	for _, a := range all {
		if a.Station == "" || a.Chosen || !a.Over {
			r.Alarms = append(r.Alarms, a)
			continue
		}
		r.Over = append(r.Over, a)
		if a.News {
			news++
		}
	}
	r.Alarms = reach(r.Alarms)
	r.Folded = foldedWords(len(r.Over)-news, news)
	return r
}

func foldedWords(over, news int) string {
	var parts []string
	for _, p := range []struct {
		n    int
		what string
	}{{over, "over"}, {news, "news"}} {
		switch p.n {
		case 0:
		case 1:
			parts = append(parts, "1 is "+p.what)
		default:
			parts = append(parts, strconv.Itoa(p.n)+" are "+p.what)
		}
	}
	return strings.Join(parts, ", ")
}

// Thumb is the alert whose buttons are at the lower edge of the page.
func (r *Roll) Thumb() Alarm { return thumbOf(r.Alarms) }

func thumbOf(alarms []Alarm) Alarm {
	for _, a := range alarms {
		if a.Thumb {
			return a
		}
	}
	return Alarm{}
}

// open is the alert with its buttons beside it, whatever is under the thumb.
func (a Alarm) open() Alarm {
	a.Thumb = false
	return a
}

// reach puts the buttons of the first alert that waits under the thumb, and its
// key is the one that acts.
func reach(alarms []Alarm) []Alarm {
	first := slices.IndexFunc(alarms, func(a Alarm) bool { return a.Waits && a.Works })
	alarms = slices.Clone(alarms)
	for i := range alarms {
		a := &alarms[i]
		a.Thumb = i == first
		a.ByKey = a.ByKey && (a.Thumb || first < 0)
	}
	return alarms
}

// roll lists all alerts for a page, with the one that a link named first.
func (l *Look) roll(back, chosen string) Roll {
	r := Roll{Gone: chosen != ""}
	for _, a := range going(l.Alarms, back) {
		if chosen != "" && (a.Key == chosen || a.Point == chosen) {
			a.Chosen, r.Gone = true, false
		}
		if a.Out {
			r.Off = append(r.Off, a)
		} else {
			r.Alarms = append(r.Alarms, a)
		}
	}
	slices.SortStableFunc(r.Alarms, func(a, b Alarm) int {
		switch {
		case a.Chosen:
			return -1
		case b.Chosen:
			return 1
		}
		return 0
	})
	return r
}

// Load is the measures of alarm load, ready to be shown.
type Load struct {
	From, To time.Time
	Younger  bool // From is when the ledger began, later than was asked
	Rings    int  // alerts that rang
	Measures []LoadMeasure
	Frequent []LoadPoint // the points that rang most
	Hints    []string    // what to change
}

// LoadMeasure is one figure beside its target.
type LoadMeasure struct {
	Name, Value, Target, Source, Verdict string
	Over                                 bool // the target is not kept
}

// LoadPoint is a point at which it rang.
type LoadPoint struct {
	Point string
	Rings int
	Share float64 // of all, 0 to 1
}

// Percent is the share in words.
func (p LoadPoint) Percent() string { return strconv.FormatFloat(100*p.Share, 'f', 0, 64) + " %" }

// Outlet is how a way to people fares.
type Outlet struct {
	Name, Kind string
	Severity   Severity
	State      string
	Counts     string
	Test       bool
}

func outletOf(v bench.OutletView, c clock) Outlet {
	o := Outlet{Name: v.Name, Kind: v.Kind, Severity: Normal}
	switch {
	case !v.Failing.IsZero():
		o.Severity, o.State = Action, told("Nothing is delivered since "+c.at(v.Failing), v.Error)+"."
	case v.Sent.IsZero():
		o.Severity, o.State = Neutral, "Nothing was sent so far."
	default:
		o.State = "Delivered last at " + c.at(v.Sent) + "."
	}
	counts := []string{strconv.FormatUint(v.Delivered, 10) + " delivered"}
	add := func(n uint64, what string) {
		if n > 0 {
			counts = append(counts, strconv.FormatUint(n, 10)+" "+what)
		}
	}
	add(uint64(max(0, v.Waiting)), "waiting")
	add(v.Failed, "tries failed")
	add(v.GivenUp, "given up")
	o.Counts = strings.Join(counts, ", ")
	return o
}

// Outlets are all ways to people.
type Outlets struct {
	All  []Outlet
	Test bool // they can be tested
}

// Alerts is the page of all alerts.
type Alerts struct {
	Look
	Roll     Roll
	Outlets  Outlets
	Load     *Load
	LoadSpan string
	NoLoad   string // why the load is not known
	By       string // who answered before
}

// loadDays is the time that the page measures alarm load over, and loadWithin
// how long that may take.
const (
	loadDays   = 7
	loadWithin = 5 * time.Second
)

func (s *Site) serveAlerts(w http.ResponseWriter, r *http.Request) {
	l, chosen := s.lookOf(r), chosenBy(r)
	l.Phone, l.Slow, l.Live, l.Title = true, true, "/live?alerts"+andAck(chosen), "Alerts · "+s.o.Bench
	l.say(s.answered(r, "/alerts"), "/alerts")
	p := &Alerts{Look: l, Roll: l.roll("/alerts", chosen), Outlets: l.outlets, By: signature(r)}
	s.measure(r.Context(), p)
	s.serve(w, http.StatusOK, alertsPage(p))
}

func (s *Site) measure(ctx context.Context, p *Alerts) {
	if s.o.Load == nil {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, loadWithin)
	defer cancel()
	to := time.Now()
	load, err := s.o.Load(ctx, to.AddDate(0, 0, -loadDays), to)
	if err != nil {
		s.o.Logger.Warn("the load of alerts cannot be measured", logkey.Err(err))
		p.NoLoad = capital(err.Error()) + "."
		return
	}
	c := clock{s.o.Zone, to}
	p.Load, p.LoadSpan = &load, "From "+c.at(load.From)+" to "+c.at(load.To)
	if load.Younger {
		p.LoadSpan += ", since the ledger began: " + bench.InWords(load.To.Sub(load.From))
	}
}

// actPath is where the form of an alert goes.
func actPath(key string) templ.SafeURL { return templ.SafeURL("/alerts/" + url.PathEscape(key)) }

// alarmClass is how a card of an alert looks.
func alarmClass(a Alarm) templ.CSSClasses {
	return templ.Classes("alarm", a.Severity.String(), templ.KV("waits", a.Waits), templ.KV("chosen", a.Chosen))
}

// callClass is how an alert on the wall looks.
func callClass(a Alarm) templ.CSSClasses {
	return templ.Classes("call", a.Severity.String(), templ.KV("stands", a.Calls))
}

// mostKey bounds the key of an alert in an address.
const mostKey = 200

// chosenBy is the alert that a link leads to. A link only shows: whoever fetches
// it, a scanner of mail too, has acknowledged nothing.
func chosenBy(r *http.Request) string {
	key := r.URL.Query().Get("ack")
	if len(key) > mostKey {
		return ""
	}
	return key
}
