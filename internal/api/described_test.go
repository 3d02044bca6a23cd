package api_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	v3 "github.com/pb33f/libopenapi/datamodel/high/v3"
	"go.uber.org/zap"

	"benchvigil/internal/access"
	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
	"benchvigil/internal/unit"
)

// full is a value all of whose fields are set, down to so many levels: what is
// left out of JSON when it is zero is held against its description too.
func full[T any]() (v T) {
	fill(reflect.ValueOf(&v).Elem(), 6)
	return v
}

func fill(v reflect.Value, depth int) {
	switch v.Interface().(type) {
	case time.Time:
		v.Set(reflect.ValueOf(moment))
		return
	case unit.Maybe[unit.Current]:
		v.Set(reflect.ValueOf(unit.Some(412 * unit.Milliampere)))
		return
	case unit.Maybe[unit.Voltage]:
		v.Set(reflect.ValueOf(unit.Some(3800 * unit.Millivolt)))
		return
	case unit.Maybe[uint64]:
		v.Set(reflect.ValueOf(unit.Some(uint64(7))))
		return
	case unit.Maybe[time.Duration]:
		v.Set(reflect.ValueOf(unit.Some(time.Minute)))
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		if depth > 0 {
			v.Set(reflect.New(v.Type().Elem()))
			fill(v.Elem(), depth-1)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Field(i).CanSet() {
				fill(v.Field(i), depth-1)
			}
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range 2 {
			fill(v.Index(i), depth-1)
		}
	case reflect.Map:
		key, value := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
		fill(key, depth-1)
		fill(value, depth-1)
		v.Set(reflect.MakeMap(v.Type()))
		v.SetMapIndex(key, value)
	case reflect.String:
		v.SetString("word")
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Float64:
		v.SetFloat(1.5)
	case reflect.Int, reflect.Int64:
		v.SetInt(3)
	case reflect.Uint64, reflect.Uint16, reflect.Uint8:
		v.SetUint(3)
	}
}

// answers fills in all that the past can tell, or nothing.
type answers struct {
	pastFake
	empty bool
}

func answer[T any](f *answers) (v T, err error) {
	if !f.empty {
		v = full[T]()
	}
	return v, f.err
}

func pageOf[T any](f *answers) (p chart.Page[T], err error) {
	p, err = answer[chart.Page[T]](f)
	if f.empty {
		p.Items = []T{}
	}
	return p, err
}

func (f *answers) Chart(context.Context, string, time.Time, time.Time, int) (chart.Chart, error) {
	if f.empty {
		return chart.Chart{Channels: []chart.Channel{}}, f.err
	}
	return answer[chart.Chart](f)
}

func (f *answers) Survival(context.Context, string) (chart.Survival, error) {
	if f.empty {
		return chart.SurvivalOf(nil, time.Minute), f.err
	}
	return answer[chart.Survival](f)
}

func (f *answers) Signature(context.Context, string) (chart.Signature, error) {
	return answer[chart.Signature](f)
}

func (f *answers) Runs(context.Context, chart.HistoryQuery) (chart.RunPage, error) {
	return pageOf[chart.RunRow](f)
}

func (f *answers) Totals(context.Context, chart.HistoryQuery) (chart.Totals, error) {
	return answer[chart.Totals](f)
}

func (f *answers) Watches(context.Context, chart.HistoryQuery) (chart.WatchPage, error) {
	return pageOf[chart.WatchRow](f)
}

func (f *answers) Compare(context.Context, string, string, int) (chart.Comparison, error) {
	return answer[chart.Comparison](f)
}

func (f *answers) Events(context.Context, chart.EventQuery) (chart.Page[chart.Happened], error) {
	return pageOf[chart.Happened](f)
}

// bed is a bench behind the interface, which can go wrong in many ways.
type bed struct {
	bare    bool // it keeps no ledger and no alerts
	empty   bool // nothing has happened yet
	busy    bool
	stopped bool
	err     error // of what is asked
	refuse  error // of what is done
}

var errUnknown = errors.New("there is no such alert")

func (b bed) handler(t *testing.T) http.Handler {
	t.Helper()
	past := &tail{n: 3, label: "running"}
	_, stream, stop := past.serve(t, past)
	if b.stopped {
		stop()
	}
	lines := make(chan []byte)
	close(lines)
	o := api.Options{
		Logger: zap.NewNop(), Stream: stream,
		Snapshots: func() []bench.Snapshot {
			s1 := full[bench.Snapshot]()
			s1.Station, s1.LastRun.EndedAs, s1.LastRun.End = "s1", bench.RunStopped, time.Time{}
			s1.Mode, s1.USB.Present, s1.Hookup.USB, s1.Waiting = bench.Running, true, true, false
			return []bench.Snapshot{s1, {Station: "s2", Waiting: true}}
		},
		Mark: func(string, bench.Mark) bool { return !b.busy },
		Follow: func(context.Context, string) ([][]byte, <-chan []byte, func()) {
			return [][]byte{[]byte(`{"recording":1}`)}, lines, func() {}
		},
		About: full[api.About],
	}
	if b.bare {
		o.Stream = nil
		return api.New(o)
	}
	o.Past = &answers{pastFake: pastFake{err: b.err}, empty: b.empty}
	o.Alerts = func() []bench.AlertView {
		if b.empty {
			return nil
		}
		v := full[bench.AlertView]()
		v.Key, v.Station, v.Kind, v.Rule = "s1.dropped.5", "s1", bench.AlertDropped, ""
		return []bench.AlertView{v, dropped("s2")}
	}
	o.Act, o.Unknown = func(bench.AlertAct) error { return b.refuse }, func(err error) bool { return errors.Is(err, errUnknown) }
	o.Outlets = func() []bench.OutletView {
		if b.empty {
			return nil
		}
		all := full[[]bench.OutletView]()
		all[0].Name = "phones"
		return all
	}
	o.TestAlert = func(context.Context, string, string) ([]bench.OutletView, error) { return o.Outlets(), b.refuse }
	o.Load = func(context.Context, time.Time, time.Time) (any, error) { return map[string]any{"raised": 3}, b.err }
	return api.New(o)
}

// asking is a request that succeeds, of each operation.
var asking = map[string]struct{ path, body string }{
	"list-stations":       {path: "stations"},
	"get-station":         {path: "stations/s1"},
	"mark-station":        {path: "stations/s1/marks", body: `{"kind":"note","by":"kim","text":"reseated the connector"}`},
	"get-bench":           {path: "bench"},
	"follow-observations": {path: "observations?station=s1"},
	"list-alerts":         {path: "alerts?station=s2"},
	"get-alert":           {path: "alerts/s1.dropped.5"},
	"act-on-alert":        {path: "alerts/s1.dropped.5", body: `{"do":"shelve","by":"kim","for_s":900}`},
	"test-outlets":        {path: "alerts/test", body: `{"by":"kim","outlet":"phones"}`},
	"get-alert-load":      {path: "alerts/load?days=30"},
	"list-outlets":        {path: "outlets"},
	"get-chart":           {path: "stations/s1/chart?from=2026-03-02T21:00:00Z&to=1772486045000&points=200"},
	"get-survival":        {path: "stations/s1/survival"},
	"get-signature":       {path: "stations/s1/signature"},
	"list-runs":           {path: "runs?station=s1&limit=10&cursor=1z&outcome=dropped"},
	"sum-runs":            {path: "runs/totals?case=2417"},
	"list-watches":        {path: "watches?from=2026-03-02T21:00:00Z"},
	"compare-runs":        {path: "compare?a=0123&b=4567&points=100"},
	"get-recording":       {path: "stations/s1/recording?from=1000&to=2000"},
	"get-trace":           {path: "stations/s1/trace.csv?from=1000&to=2000&seconds=1"},
	"list-events":         {path: "events?station=s1&type=benchvigil.run&limit=5&cursor=a0&from=1000&to=2000"},
	"list-acts":           {path: "audit?who=kim&limit=5&cursor=a0&from=1000&to=2000"},
	"stream":              {path: "stream?station=s1"},
}

// attempt is a request that meets a certain answer.
type attempt struct {
	bed
	path, body, kind string
	head             http.Header
	viewer           bool
	broken           bool // the request is not as it is described
}

// meeting is how an operation is made to answer with a code.
func meeting(op string, code int) (attempt, bool) {
	a := attempt{path: asking[op].path, body: asking[op].body, kind: "application/json", head: http.Header{}}
	switch code {
	case http.StatusOK, http.StatusNoContent:
	case http.StatusNotModified:
		a.head.Set("If-None-Match", "*")
	case http.StatusBadRequest:
		a.body, a.broken = "{", true
	case http.StatusForbidden:
		a.viewer = true
	case http.StatusNotFound:
		switch op {
		case "get-station", "mark-station":
			a.path = strings.Replace(a.path, "s1", "s9", 1)
		case "follow-observations":
			a.path = "observations?station=s9"
		default:
			a.bare = true
		}
	case http.StatusConflict:
		a.refuse = errors.New("it is over")
		if op == "mark-station" {
			a.body = `{"kind":"mine"}`
		}
	case http.StatusRequestEntityTooLarge:
		a.body, a.broken = strings.Replace(a.body, "kim", strings.Repeat("x", 9000), 1), true
	case http.StatusUnsupportedMediaType:
		a.kind, a.broken = "application/x-www-form-urlencoded", true
	case http.StatusUnprocessableEntity:
		a.path += map[bool]string{true: "&", false: "?"}[strings.Contains(a.path, "?")] + "colour=red"
		a.broken = true
	case http.StatusInternalServerError:
		a.err = errors.New("input/output error")
	case http.StatusServiceUnavailable:
		a.err, a.busy, a.stopped = chart.Refuse(chart.ErrBusy, "others ask: try again"), true, op == "stream"
	default:
		return a, false
	}
	return a, asking[op].path != ""
}

func (a *attempt) request(t *testing.T, method string) *http.Request {
	t.Helper()
	who := access.Who{Role: access.Work, Local: true}
	if a.viewer {
		who = access.Who{Name: "wall", Role: access.View}
	}
	ctx, cancel := context.WithCancel(access.With(t.Context(), who))
	if strings.HasPrefix(a.path, "stream") {
		cancel() // it sends what stands, and ends
	}
	t.Cleanup(cancel)
	r := httptest.NewRequestWithContext(ctx, method, "/api/v1/"+a.path, strings.NewReader(a.body))
	if a.body == "" {
		r = httptest.NewRequestWithContext(ctx, method, "/api/v1/"+a.path, http.NoBody)
	} else {
		r.Header.Set("Content-Type", a.kind)
	}
	for k, v := range a.head {
		r.Header[k] = v
	}
	return r
}

// document is the description as an independent library reads it.
func document(t *testing.T) (validator.Validator, *v3.Document) {
	t.Helper()
	_, text, _ := ask(t, bed{}.handler(t), http.MethodGet, "/openapi.json", "")
	doc, err := libopenapi.NewDocument([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	v, errs := validator.NewValidator(doc)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	if ok, wrong := v.ValidateDocument(); !ok {
		t.Fatalf("the description is no OpenAPI %s: %v", doc.GetVersion(), wrong)
	}
	model, err := doc.BuildV3Model()
	if err != nil {
		t.Fatal(err)
	}
	return v, &model.Model
}

// Every answer of every operation that is described can be met, and it and its
// request are as they are described, in the judgement of a library that is not
// the one which describes them.
func TestAllIsAsDescribed(t *testing.T) {
	v, model := document(t)
	if !strings.HasPrefix(model.Version, "3.1") {
		t.Errorf("version %s", model.Version)
	}
	seen := 0
	for path, item := range model.Paths.PathItems.FromOldest() {
		for method, op := range item.GetOperations().FromOldest() {
			if asking[op.OperationId].path == "" {
				t.Errorf("%s %s: no example", method, path)
				continue
			}
			seen++
			for text := range op.Responses.Codes.FromOldest() {
				code, err := strconv.Atoi(text)
				if err != nil {
					t.Fatalf("%s: %v", op.OperationId, err)
				}
				t.Run(op.OperationId+"/"+text, func(t *testing.T) { asDescribed(t, v, op.OperationId, strings.ToUpper(method), code) })
			}
		}
	}
	if seen != len(asking) {
		t.Errorf("%d operations are described, %d examples are there", seen, len(asking))
	}
}

func asDescribed(t *testing.T, v validator.Validator, op, method string, code int) {
	a, known := meeting(op, code)
	if !known {
		t.Fatalf("how is %d met?", code)
	}
	for _, empty := range []bool{false, true} {
		a.empty = empty
		if empty && (code != http.StatusOK || slices.Contains([]string{"get-alert", "test-outlets"}, op)) {
			continue
		}
		w := httptest.NewRecorder()
		a.handler(t).ServeHTTP(w, a.request(t, method))
		res := w.Result()
		body, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != code {
			t.Fatalf("%d %v %s", res.StatusCode, err, body)
		}
		if problem := res.Header.Get("Content-Type") == "application/problem+json"; problem != (code >= 400) {
			t.Errorf("%d is %s", code, res.Header.Get("Content-Type"))
		}
		if !a.broken {
			if ok, wrong := v.ValidateHttpRequest(a.request(t, method)); !ok {
				t.Errorf("request: %v", said(wrong))
			}
		}
		res.Body = io.NopCloser(strings.NewReader(string(body)))
		if ok, wrong := v.ValidateHttpResponse(a.request(t, method), res); !ok {
			t.Errorf("answer: %v\n%s", said(wrong), body)
		}
	}
}

func said[E any](all []*E) (out []string) {
	for _, e := range all {
		out = append(out, fmt.Sprintf("%+v", *e))
	}
	return out
}
