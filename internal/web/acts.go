package web

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// What people do about alerts comes as plain forms: "do" is the deed, "for" the
// minutes of a shelving, "back" the page that the form stood on.

// actsOn adds the ways in which people act on alerts.
func (s *Site) actsOn(mux *http.ServeMux) {
	if s.o.Alerts != nil {
		mux.HandleFunc("GET /alerts", s.serveAlerts)
	}
	if s.o.Act != nil {
		mux.Handle("POST /alerts/{key}", s.working(s.serveAct))
	}
	if s.o.TestAlert != nil {
		mux.Handle("POST /alerts/test", s.working(s.serveTest))
	}
}

func (s *Site) serveAct(w http.ResponseWriter, r *http.Request) {
	if !s.formOf(w, r) {
		return
	}
	a, err := actOf(r.PathValue("key"), r.PostForm)
	if err != nil {
		s.refuse(w, r, http.StatusUnprocessableEntity, capital(err.Error())+".")
		return
	}
	a.By = signer(w, r, a.By)
	if err := s.o.Act(a); err != nil {
		s.refuse(w, r, refusal(err), capital(err.Error())+".")
		return
	}
	s.o.Logger.Info("alert handled", logkey.Act(string(a.Do), a.Key, a.By))
	back := backTo(r.PostForm.Get("back"))
	s.answer(w, r, s.deedDone(string(a.Do), a.Key, back), done(back, string(a.Do), a.Key))
}

// refusal is how an act that was refused is answered: it is about nothing, it does
// not fit the state of the alert, or it is a mistake in itself.
func refusal(err error) int {
	switch {
	case errors.Is(err, bench.ErrUnknownAlert):
		return http.StatusNotFound
	case errors.Is(err, bench.ErrRefusedAct):
		return http.StatusConflict
	}
	return http.StatusUnprocessableEntity
}

// formOf reads a form, or answers why it cannot be.
func (s *Site) formOf(w http.ResponseWriter, r *http.Request) bool {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusUnprocessableEntity, "The form cannot be read: "+err.Error()+".")
		return false
	}
	return true
}

// actOf reads what a form asks for.
func actOf(key string, f url.Values) (bench.AlertAct, error) {
	deed, minutes, _ := strings.Cut(f.Get("do"), " ")
	a := bench.AlertAct{Do: bench.AlertDeed(deed), Key: key, By: f.Get("by")}
	if n, err := strconv.Atoi(minutes); err == nil && n > 0 && n <= int(bench.MostShelve.Minutes()) {
		a.For = time.Duration(n) * time.Minute
	}
	a = a.Tidy()
	return a, a.Check()
}

// backTo is a page of ours; where a form names another, the list of alerts.
func backTo(page string) string {
	if page == "/" || page == "/m" {
		return page
	}
	for _, pages := range []string{"/m/", "/station/"} {
		station, ok := strings.CutPrefix(page, pages)
		if ok && station != "" && !strings.Contains(station, "/") {
			return pages + url.PathEscape(station)
		}
	}
	return "/alerts"
}

// testWithin is how long a page waits for a test: its own connection is cut
// after half a minute.
const testWithin = 25 * time.Second

func (s *Site) serveTest(w http.ResponseWriter, r *http.Request) {
	if !s.formOf(w, r) {
		return
	}
	by := strings.TrimSpace(r.PostForm.Get("by"))
	if err := bench.CheckBy(by); err != nil {
		s.refuse(w, r, http.StatusUnprocessableEntity, capital(err.Error())+".")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), testWithin)
	defer cancel()
	outlet := r.PostForm.Get("outlet")
	if _, err := s.o.TestAlert(ctx, outlet, signer(w, r, by)); err != nil {
		s.refuse(w, r, http.StatusConflict, capital(err.Error())+".")
		return
	}
	s.answer(w, r, s.deedDone("test", "", "/alerts"), "/alerts?done=test#outlets")
}

// outletsNow are the ways to people at this moment.
func (s *Site) outletsNow(c clock) (out Outlets) {
	if s.o.Outlets == nil {
		return out
	}
	out.Test = s.o.TestAlert != nil
	for _, v := range s.o.Outlets() {
		o := outletOf(v, c)
		o.Test = out.Test
		out.All = append(out.All, o)
	}
	slices.SortStableFunc(out.All, func(a, b Outlet) int { return cmp.Compare(failing(b), failing(a)) })
	return out
}

func failing(o Outlet) int {
	if o.Severity == Action {
		return 1
	}
	return 0
}
