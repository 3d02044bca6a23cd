package webpush

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/bench"
)

// mostRequest is more than anything that a phone has to say.
const mostRequest = 16 << 10

// Handler is the phone's side, below /push/. What is sent and answered is JSON;
// errors are application/problem+json (RFC 9457): 400 not JSON, 403 from another
// site, 404 no such phone, 409 too many, 415 another type, 422 what is wrong
// with it, 501 cannot be done here, 503 not kept.
//
//	GET  /push/key          {"key"}: public key to subscribe with, base64url
//	GET  /push/phones       [Phone], without what is needed to send to them
//	POST /push/subscribe    {"subscription", "person", "device"} -> Phone
//	POST /push/renew        {"phone" or "old": endpoint, "subscription"} -> Phone; for pushsubscriptionchange
//	POST /push/unsubscribe  {"phone"} or {"endpoint"}
//	POST /push/try          {"phone"}: a message to try it; 502 and why not
//	POST /push/received     {"phone", "key"}: the worker has shown that message
//	POST /push/acknowledge  {"phone", "alert"}: its person sees to that alert
//
// The ID of a phone is known to it from the answer to subscribing and from each
// message.
func (o *Outlet) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /push/key", o.serveKey)
	mux.HandleFunc("GET /push/phones", o.servePhones)
	mux.HandleFunc("POST /push/subscribe", post(o.subscribe))
	mux.HandleFunc("POST /push/renew", post(o.renew))
	mux.HandleFunc("POST /push/unsubscribe", post(o.unsubscribe))
	mux.HandleFunc("POST /push/try", post(o.try))
	mux.HandleFunc("POST /push/received", post(o.received))
	mux.HandleFunc("POST /push/acknowledge", post(o.acknowledge))
	ours := http.NewCrossOriginProtection()
	ours.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		problem(w, http.StatusForbidden, "pages of other sites may not do that")
	}))
	return ours.Handler(mux)
}

func (o *Outlet) serveKey(w http.ResponseWriter, _ *http.Request) {
	answer(w, map[string]string{"key": o.PublicKey()})
}

func (o *Outlet) servePhones(w http.ResponseWriter, _ *http.Request) {
	answer(w, append([]Phone{}, o.Phones()...))
}

// request is what a phone says; each path uses some of it.
type request struct {
	Subscription Subscription `json:"subscription"`
	Person       string       `json:"person"`
	Device       string       `json:"device"`
	Phone        string       `json:"phone"`
	Old          string       `json:"old"`
	Endpoint     string       `json:"endpoint"`
	Key          string       `json:"key"`
	Alert        string       `json:"alert"`
}

// decodeRequest reads it.
func decodeRequest(r io.Reader) (*request, error) {
	var q request
	d := json.NewDecoder(r)
	if err := d.Decode(&q); err != nil {
		return nil, fmt.Errorf("not the JSON that is wanted: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("more than one JSON value")
	}
	return &q, nil
}

// fault is an error with the status that tells it.
type fault struct {
	error
	code int
}

func (f *fault) Unwrap() error { return f.error }

func unprocessable(err error) error { return &fault{err, http.StatusUnprocessableEntity} }

// post serves a path whose answer, when there is one, is JSON.
func post(serve func(ctx context.Context, q *request) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); kind != "application/json" {
			problem(w, http.StatusUnsupportedMediaType, "Content-Type must be application/json")
			return
		}
		q, err := decodeRequest(http.MaxBytesReader(w, r.Body, mostRequest))
		if err != nil {
			problem(w, http.StatusBadRequest, err.Error())
			return
		}
		switch out, err := serve(r.Context(), q); {
		case err != nil:
			problem(w, codeOf(err), err.Error())
		case out == nil:
			w.WriteHeader(http.StatusNoContent)
		default:
			answer(w, out)
		}
	}
}

func codeOf(err error) int {
	if f, ok := errors.AsType[*fault](err); ok {
		return f.code
	}
	switch {
	case errors.Is(err, errNoPhone):
		return http.StatusNotFound
	case errors.Is(err, errFull):
		return http.StatusConflict
	}
	return http.StatusServiceUnavailable // the store
}

func (o *Outlet) subscribe(ctx context.Context, q *request) (any, error) {
	person, err := cleanName("person", q.Person)
	if err != nil {
		return nil, unprocessable(err)
	}
	device, err := cleanName("device", q.Device)
	if err != nil {
		return nil, unprocessable(err)
	}
	return o.take(ctx, kept{Phone{Person: person, Device: device, Since: time.Now()}, q.Subscription})
}

// take checks and keeps a phone.
func (o *Outlet) take(ctx context.Context, k kept) (any, error) {
	if err := k.Subscription.check(o.o.Plain); err != nil {
		return nil, unprocessable(fmt.Errorf("subscription.%w", err))
	}
	k.ID = idOf(k.Subscription.Endpoint)
	if err := o.phones.put(ctx, k); err != nil {
		return nil, err
	}
	return k.Phone, nil
}

// renew gives a phone another subscription: its browser took the old one away.
func (o *Outlet) renew(ctx context.Context, q *request) (any, error) {
	old := q.Phone
	if old == "" {
		old = idOf(q.Old)
	}
	k, err := o.phones.find(old)
	if err != nil {
		return nil, err
	}
	k.Subscription, k.Trouble = q.Subscription, ""
	out, err := o.take(ctx, k)
	if err != nil || idOf(q.Subscription.Endpoint) == old {
		return out, err
	}
	if err := o.phones.forget(ctx, old); err != nil && !errors.Is(err, errNoPhone) {
		return nil, err
	}
	return out, nil
}

func (o *Outlet) unsubscribe(ctx context.Context, q *request) (any, error) {
	if q.Phone == "" {
		q.Phone = idOf(q.Endpoint)
	}
	return nil, o.phones.forget(ctx, q.Phone)
}

// received keeps that a message was shown.
func (o *Outlet) received(ctx context.Context, q *request) (any, error) {
	if q.Key == "" || len(q.Key) > mostEndpoint {
		return nil, unprocessable(errors.New("key: which message?"))
	}
	now := time.Now()
	return nil, o.phones.change(ctx, q.Phone, func(p *Phone) { p.Arrived, p.LastSeen = now, q.Key })
}

func (o *Outlet) acknowledge(ctx context.Context, q *request) (any, error) {
	if o.o.Acknowledge == nil {
		return nil, &fault{errors.New("alerts cannot be acknowledged from here: open the page"), http.StatusNotImplemented}
	}
	k, err := o.phones.find(q.Phone)
	if err != nil {
		return nil, err
	}
	if q.Alert == "" {
		return nil, unprocessable(errors.New("alert: which alert?"))
	}
	if err := o.o.Acknowledge(ctx, q.Alert, k.Person); err != nil {
		return nil, unprocessable(err)
	}
	return nil, nil
}

// try sends a message to one phone, for its person to see that it arrives.
func (o *Outlet) try(ctx context.Context, q *request) (any, error) {
	k, err := o.phones.find(q.Phone)
	if err != nil {
		return nil, err
	}
	now := time.Now()
	key := "try." + k.ID + "." + strconv.FormatInt(now.UnixMilli(), 10)
	m := alert.Message{Key: key, Deed: alert.Test, Made: now, To: k.Person, Alert: bench.AlertView{Alert: bench.Alert{
		Key: key, Kind: bench.AlertTest, Severity: bench.Notice, Since: now, Passing: true,
		Title: "A test: alerts arrive here", Text: k.Device + " of " + k.Person + ", sent " + now.Format(time.TimeOnly) + ".", Do: "Nothing to do.",
	}}}
	err = o.send(ctx, &m, &k)
	o.note(ctx, &m, k, err)
	if err != nil {
		return nil, &fault{err, http.StatusBadGateway}
	}
	return map[string]string{"key": key}, nil
}

func answer(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_ = json.NewEncoder(w).Encode(v) // the client has gone
}

// problem answers in the form of RFC 9457.
func problem(w http.ResponseWriter, code int, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(map[string]any{"title": http.StatusText(code), "status": code, "detail": detail}) // the client has gone
}
