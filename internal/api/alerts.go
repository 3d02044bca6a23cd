package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// Act is what a person does about an alert, as it comes over the wire. As a test,
// Outlet names the only one to be tried.
type Act struct {
	Do      string  `json:"do,omitempty"`
	By      string  `json:"by,omitempty"`
	ForSecs float64 `json:"for_s,omitempty"`
	Outlet  string  `json:"outlet,omitempty"`
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
		body: Act{By: "kim", Outlet: "phones"}, answers: []bench.OutletView{},
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
	m, err := readAct(w, r)
	if err != nil {
		problem(w, http.StatusUnprocessableEntity, err.Error())
		return
	}
	act, err := m.act(r.PathValue("key"))
	if err != nil {
		problem(w, http.StatusUnprocessableEntity, err.Error())
		return
	}
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

func readAct(w http.ResponseWriter, r *http.Request) (m Act, err error) {
	dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&m); err != nil {
		return m, fmt.Errorf("the request cannot be read: %w", err)
	}
	m.By = signed(r, strings.TrimSpace(m.By))
	return m, bench.CheckBy(m.By)
}

// act checks what somebody wants to do about the alert.
func (m Act) act(key string) (bench.AlertAct, error) {
	switch {
	case m.Outlet != "":
		return bench.AlertAct{}, errors.New("outlet: belongs to a test only")
	case !(m.ForSecs >= 0 && m.ForSecs <= 1e6):
		return bench.AlertAct{}, errors.New("for_s: want a number of seconds")
	}
	out := bench.AlertAct{Do: bench.AlertDeed(m.Do), Key: key, By: m.By, For: time.Duration(m.ForSecs * float64(time.Second))}.Tidy()
	return out, out.Check()
}

func (a *api) test(w http.ResponseWriter, r *http.Request) {
	m, err := readAct(w, r)
	if err == nil && (m.Do != "" || m.ForSecs != 0) {
		err = errors.New("a test takes by and outlet only")
	}
	if err == nil {
		err = a.hasOutlet(m.Outlet)
	}
	if err != nil {
		problem(w, http.StatusUnprocessableEntity, err.Error())
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
	return fmt.Errorf("outlet: there is none named %q: there are %s", name, strings.Join(names, ", "))
}

// Days of the measures of alarm load.
const (
	defaultDays = 7
	mostDays    = 366
)

func (a *api) load(w http.ResponseWriter, r *http.Request) {
	days := defaultDays
	if text := r.URL.Query().Get("days"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > mostDays {
			problem(w, http.StatusUnprocessableEntity, fmt.Sprintf("days: want a whole number from 1 to %d", mostDays))
			return
		}
		days = n
	}
	to := time.Now()
	load, err := a.o.Load(r.Context(), to.AddDate(0, 0, -days), to)
	if err != nil {
		problem(w, http.StatusServiceUnavailable, err.Error())
		return
	}
	write(w, http.StatusOK, load)
}
