package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"benchvigil/internal/access"
	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// Act is what a person does about an alert, as it comes over the wire.
type Act struct {
	Do      string  `json:"do" doc:"What to do."`
	By      string  `json:"by,omitempty" maxLength:"64" doc:"Who; whoever is logged in signs with their own name."`
	ForSecs float64 `json:"for_s,omitempty" minimum:"0" maximum:"43200" doc:"Of shelve: for so long, in seconds; 900 unless given."`
}

// TransformSchema names the deeds that there are.
func (Act) TransformSchema(_ huma.Registry, s *huma.Schema) *huma.Schema {
	return oneOf(s, "do", bench.AlertDeeds())
}

// Trial is a test of outlets, as it comes over the wire.
type Trial struct {
	By     string `json:"by,omitempty" maxLength:"64" doc:"Who; whoever is logged in signs with their own name."`
	Outlet string `json:"outlet,omitempty" doc:"The only one to be tried; all unless given."`
}

// noAlerts is what is said where no alerts are kept.
const noAlerts = "no alerts are kept on this bench"

// addAlerts serves what concerns alerts. What the bench does not have is said so.
func (a *api) addAlerts(h huma.API) {
	add := func(there bool, r route) {
		if !there {
			r.handler = func(w http.ResponseWriter, _ *http.Request) { problem(w, http.StatusNotFound, noAlerts) }
		}
		r.refuses = append(r.refuses, http.StatusNotFound)
		a.add(h, r)
	}
	add(a.o.Alerts != nil, route{
		method: http.MethodGet, path: "alerts", id: "list-alerts", summary: "The alerts that are not normal, the most urgent first",
		params: []*huma.Param{stationOf()}, answers: []bench.AlertView{}, refuses: []int{http.StatusNotModified}, handler: a.alerts,
	})
	add(a.o.Alerts != nil, route{
		method: http.MethodGet, path: "alerts/{key}", id: "get-alert", summary: "One alert, by its key or its point",
		answers: bench.AlertView{}, refuses: []int{http.StatusNotModified}, handler: a.alert,
	})
	add(a.o.Act != nil, route{
		method: http.MethodPost, path: "alerts/{key}", id: "act-on-alert", summary: "Do something about an alert",
		says: "do is acknowledge, shelve (for_s seconds), unshelve, take-out or put-back. A problem 409 says what stands against it.",
		body: Act{Do: string(bench.DeedAcknowledge), By: "kim"}, code: http.StatusNoContent,
		refuses: []int{http.StatusConflict, http.StatusUnprocessableEntity}, handler: a.act,
	})
	add(a.o.TestAlert != nil, route{
		method: http.MethodPost, path: "alerts/test", id: "test-outlets", summary: "Send a test by one outlet or all",
		body: Trial{By: "kim", Outlet: "phones"}, answers: []bench.OutletView{},
		refuses: []int{http.StatusConflict, http.StatusUnprocessableEntity}, handler: a.test,
	})
	add(a.o.Load != nil, route{
		method: http.MethodGet, path: "alerts/load", id: "get-alert-load", summary: "The measures of alarm load",
		params:  []*huma.Param{counted("days", "How many days up to now; 7 unless given.", 1, mostDays)},
		answers: map[string]any{}, refuses: []int{http.StatusUnprocessableEntity, http.StatusServiceUnavailable}, handler: a.load,
	})
	add(a.o.Outlets != nil, route{
		method: http.MethodGet, path: "outlets", id: "list-outlets", summary: "How the outlets of alerts fare", answers: []bench.OutletView{},
		handler: func(w http.ResponseWriter, _ *http.Request) { write(w, http.StatusOK, orEmpty(a.o.Outlets())) },
	})
}

// orEmpty makes an empty list of none, which JSON would call null.
func orEmpty[T any](all []T) []T {
	if all == nil {
		return []T{}
	}
	return all
}

func (a *api) alerts(w http.ResponseWriter, r *http.Request) {
	all := a.o.Alerts()
	if station := r.URL.Query().Get("station"); station != "" {
		if !a.known(station) {
			problem(w, http.StatusNotFound, a.nobody(station))
			return
		}
		all = slices.DeleteFunc(slices.Clone(all), func(v bench.AlertView) bool {
			return v.Station != station && !slices.Contains(v.Others, station)
		})
	}
	writeTagged(w, r, orEmpty(all))
}

func (a *api) alert(w http.ResponseWriter, r *http.Request) {
	key := r.PathValue("key")
	for _, v := range a.o.Alerts() {
		if v.Key == key || v.Point().String() == key {
			writeTagged(w, r, v)
			return
		}
	}
	problem(w, http.StatusNotFound, fmt.Sprintf("there is no alert %q: GET /api/v1/alerts lists all that stand", key))
}

func (a *api) act(w http.ResponseWriter, r *http.Request) {
	var m Act
	if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
		refuseField(w, "", err)
		return
	}
	act := bench.AlertAct{Do: bench.AlertDeed(m.Do), Key: r.PathValue("key"), By: signed(r, m.By), For: time.Duration(m.ForSecs * float64(time.Second))}.Tidy()
	if err := act.Check(); err != nil {
		refuseField(w, wrongIn(act), err)
		return
	}
	access.NoteAlert(r.Context(), act.Do, act.Key)
	if err := a.o.Act(act); err != nil {
		code := http.StatusConflict
		if a.o.Unknown != nil && a.o.Unknown(err) {
			code = http.StatusNotFound
		}
		problem(w, code, err.Error())
		return
	}
	a.o.Logger.Info("alert handled", logkey.Act(string(act.Do), act.Key, act.By))
	w.WriteHeader(http.StatusNoContent)
}

// wrongIn is the field that is wrong in an act which is as it is described.
func wrongIn(a bench.AlertAct) string {
	if bench.CheckBy(a.By) != nil {
		return "by"
	}
	return "for_s"
}

func (a *api) test(w http.ResponseWriter, r *http.Request) {
	var m Trial
	if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
		refuseField(w, "", err)
		return
	}
	m.By = signed(r, strings.TrimSpace(m.By))
	access.NoteTest(r.Context(), m.Outlet)
	if err := bench.CheckBy(m.By); err != nil {
		refuseField(w, "by", err)
		return
	}
	if err := a.hasOutlet(m.Outlet); err != nil {
		refuseField(w, "outlet", err)
		return
	}
	views, err := a.o.TestAlert(r.Context(), m.Outlet, m.By)
	if err != nil {
		problem(w, http.StatusConflict, err.Error())
		return
	}
	a.o.Logger.Info("test alert sent", logkey.Outlet(m.Outlet), logkey.By(m.By))
	write(w, http.StatusOK, orEmpty(views))
}

// hasOutlet refuses a name that no outlet has.
func (a *api) hasOutlet(name string) error {
	if name == "" || a.o.Outlets == nil {
		return nil
	}
	var names []string
	for _, o := range a.o.Outlets() {
		names = append(names, o.Name)
	}
	if slices.Contains(names, name) {
		return nil
	}
	return fmt.Errorf("there is none named %q: there are %s", name, strings.Join(names, ", "))
}

// Days of the measures of alarm load.
const (
	defaultDays = 7
	mostDays    = 366
)

func (a *api) load(w http.ResponseWriter, r *http.Request) {
	q := query{values: r.URL.Query()}
	days := q.number("days", defaultDays)
	to := time.Now()
	load, err := a.o.Load(r.Context(), to.AddDate(0, 0, -days), to)
	if err != nil {
		problem(w, http.StatusServiceUnavailable, err.Error())
		return
	}
	write(w, http.StatusOK, load)
}
