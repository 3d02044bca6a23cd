package api

import (
	"cmp"
	"encoding/json"
	"fmt"
	"iter"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"benchvigil/internal/access"
	"benchvigil/internal/chart"
	"benchvigil/internal/unit"
)

// route is one operation: what a program has to know of it, and who answers.
type route struct {
	method, path string // path below /api/v1/
	id, summary  string
	says         string // more of it, in sentences
	params       []*huma.Param
	body         any // an example of what is sent; nil: nothing
	code         int // of success; 0: 200
	answers      any // a value of the type that is answered; nil: nothing
	kind         string
	works        bool  // only for those who work on the bench, though it changes nothing
	refuses      []int // problems, besides those that every operation can have
	handler      http.HandlerFunc
}

// newSpec begins the description, and serves what is added on mux.
func newSpec(mux *http.ServeMux) huma.API {
	types := huma.NewMapRegistry("#/components/schemas/", schemaName)
	number := reflect.TypeFor[float64]()
	for _, t := range []reflect.Type{ // what is written as a number, in its unit
		reflect.TypeFor[unit.Current](), reflect.TypeFor[unit.Voltage](), reflect.TypeFor[unit.Temperature](),
		reflect.TypeFor[unit.Maybe[unit.Current]](), reflect.TypeFor[unit.Maybe[unit.Voltage]](), reflect.TypeFor[unit.Maybe[uint64]](),
	} {
		types.RegisterTypeAlias(t, number)
	}
	types.RegisterTypeAlias(reflect.TypeFor[chart.Values](), reflect.TypeFor[[]*int64]())
	return humago.New(mux, huma.Config{
		OpenAPI: &huma.OpenAPI{
			OpenAPI: "3.1.0",
			Info: &huma.Info{
				Title: "benchvigil", Version: "1",
				Description: "What a bench of phone boards looks like, what happened on it, and what people do about it. Times are RFC 3339, currents amperes, voltages volts, temperatures degrees Celsius, lengths of time seconds, unless a field says otherwise.",
			},
			Components: &huma.Components{Schemas: types},
		},
		Formats: huma.DefaultFormats, DefaultFormat: "application/json",
	})
}

// schemaName tells types of one name in two packages apart.
func schemaName(t reflect.Type, hint string) string {
	name := huma.DefaultSchemaNamer(t, hint)
	if strings.HasSuffix(t.PkgPath(), "/chart") && name != "Chart" {
		return "Chart" + name
	}
	return name
}

// add describes an operation and serves it. One that changes anything is refused
// to whoever may only look.
func (a *api) add(h huma.API, r route) {
	op := r.operation(h)
	h.OpenAPI().AddOperation(op)
	handler := r.handler
	for _, p := range op.Parameters {
		p.Schema.PrecomputeMessages()
	}
	handler = checked(h.OpenAPI().Components.Schemas, op, handler)
	if r.guarded() {
		handler = worksOnly(handler)
	}
	h.Adapter().Handle(op, func(ctx huma.Context) {
		req, w := humago.Unwrap(ctx)
		handler(w, req)
	})
}

// guarded reports what only those may do who work on the bench.
func (r *route) guarded() bool { return r.method != http.MethodGet || r.works }

// worksOnly refuses whoever may only look.
func worksOnly(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !access.Of(r.Context()).Works() {
			problem(w, http.StatusForbidden, "you may look at this bench, but not do this: log in as somebody who works on it")
			return
		}
		next(w, r)
	}
}

// signed is who acts: whoever is logged in, whatever the request says.
func signed(r *http.Request, by string) string {
	access.Sign(r.Context(), by)
	return cmp.Or(access.Of(r.Context()).Name, by)
}

func (r *route) operation(h huma.API) *huma.Operation {
	op := &huma.Operation{
		OperationID: r.id, Method: r.method, Path: "/api/v1/" + r.path, Summary: r.summary, Description: cmp.Or(r.says, r.summary+"."),
		Parameters: append(pathParams(r.path), r.params...), Responses: r.responses(h),
	}
	if r.body != nil {
		op.RequestBody = &huma.RequestBody{Required: true, Content: content(h, "application/json", r.body)}
		op.RequestBody.Content["application/json"].Example = r.body
	}
	return op
}

func (r *route) responses(h huma.API) map[string]*huma.Response {
	code := cmp.Or(r.code, http.StatusOK)
	ok := &huma.Response{Description: http.StatusText(code)}
	switch {
	case r.answers != nil:
		ok.Content = content(h, "application/json", r.answers)
	case r.kind != "":
		ok.Content = map[string]*huma.MediaType{r.kind: {}} // no schema says what lines and messages are
	}
	out := map[string]*huma.Response{strconv.Itoa(code): ok}
	// Any query can have a parameter that there is not.
	codes := append([]int{http.StatusUnprocessableEntity}, r.refuses...)
	if r.body != nil {
		codes = append(codes, http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType)
	}
	if r.guarded() {
		codes = append(codes, http.StatusForbidden)
	}
	if strings.Contains(r.path, "{") {
		codes = append(codes, http.StatusNotFound)
	}
	for _, c := range codes {
		if c == http.StatusNotModified {
			out[strconv.Itoa(c)] = &huma.Response{Description: http.StatusText(c)}
			continue
		}
		out[strconv.Itoa(c)] = &huma.Response{Description: http.StatusText(c), Content: content(h, "application/problem+json", Problem{})}
	}
	return out
}

// content describes a body by the type of a value.
func content(h huma.API, kind string, v any) map[string]*huma.MediaType {
	t := reflect.TypeOf(v)
	return map[string]*huma.MediaType{kind: {Schema: h.OpenAPI().Components.Schemas.Schema(t, true, t.Name())}}
}

// pathParams are the words in braces of a path.
func pathParams(path string) (out []*huma.Param) {
	for part := range strings.SplitSeq(path, "/") {
		if name := strings.Trim(part, "{}"); name != part {
			out = append(out, &huma.Param{Name: name, In: "path", Required: true, Description: pathWords[name], Schema: text()})
		}
	}
	return out
}

var pathWords = map[string]string{"id": "The station, as the configuration names it.", "key": "The alert, by its key or its point."}

func text() *huma.Schema { return &huma.Schema{Type: huma.TypeString} }

// asked is a word that may stand in the query; example is left out where it is nil.
func asked(name, says string, example any) *huma.Param {
	return &huma.Param{Name: name, In: "query", Description: says, Schema: text(), Example: example}
}

func counted(name, says string, least, most int) *huma.Param {
	low, high := float64(least), float64(most)
	return &huma.Param{Name: name, In: "query", Description: says, Schema: &huma.Schema{Type: huma.TypeInteger, Minimum: &low, Maximum: &high}}
}

// moments is a parameter that is a moment.
func moments(p *huma.Param) *huma.Param {
	return patterned(p, momentPattern, "a time as in 2026-03-02T21:14:05Z (a + is written %2B), or in Unix ms")
}

// cursors is where a page begins.
func cursors() *huma.Param {
	return patterned(asked("cursor", "Where to go on: next of the answer before.", nil), `^[0-9a-z]{1,13}$`, "what an answer gave as next")
}

// patterned bounds what may be written.
func patterned(p *huma.Param, pattern, says string) *huma.Param {
	p.Schema = &huma.Schema{Type: huma.TypeString, Pattern: pattern, PatternDescription: says}
	return p
}

const momentPattern = `^(\d{1,15}|\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:\d\d))$`

// oneOf names what a field may be.
func oneOf[T ~string](s *huma.Schema, field string, words []T) *huma.Schema {
	f := s.Properties[field]
	f.Enum = nil
	for _, w := range words {
		f.Enum = append(f.Enum, string(w))
	}
	f.PrecomputeMessages()
	return s
}

func needed(p *huma.Param) *huma.Param {
	p.Required = true
	return p
}

// sayNull describes what is null where there is nothing: huma takes every field
// that is written always for one that has a value.
func sayNull(types huma.Registry) {
	for name, s := range types.Map() {
		t := types.TypeFromRef("#/components/schemas/" + name)
		for t != nil && t.Kind() == reflect.Pointer {
			t = t.Elem()
		}
		if t == nil || t.Kind() != reflect.Struct {
			continue
		}
		for f := range fieldsOf(t) {
			name, rest, _ := strings.Cut(f.Tag.Get("json"), ",")
			p := s.Properties[name]
			if p != nil && p.Ref != "" && f.Type.Kind() == reflect.Pointer && rest == "" {
				s.Properties[name] = &huma.Schema{AnyOf: []*huma.Schema{p, {Type: "null"}}}
			}
		}
	}
}

func fieldsOf(t reflect.Type) iter.Seq[reflect.StructField] {
	return func(yield func(reflect.StructField) bool) {
		for i := range t.NumField() {
			if !yield(t.Field(i)) {
				return
			}
		}
	}
}

// serveSpec serves the description of all that was added.
func serveSpec(mux *http.ServeMux, h huma.API) error {
	for _, item := range h.OpenAPI().Paths {
		for _, op := range []*huma.Operation{item.Get, item.Post} {
			if op != nil {
				slices.SortFunc(op.Parameters, func(a, b *huma.Param) int { return cmp.Compare(a.In+a.Name, b.In+b.Name) })
			}
		}
	}
	sayNull(h.OpenAPI().Components.Schemas)
	asJSON, err := json.Marshal(h.OpenAPI())
	if err != nil {
		return fmt.Errorf("describe the interface: %w", err)
	}
	asYAML, err := h.OpenAPI().YAML()
	if err != nil {
		return fmt.Errorf("describe the interface: %w", err)
	}
	give := func(path, kind string, b []byte) {
		mux.HandleFunc("GET "+path, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", kind)
			_, _ = w.Write(b) // the client is gone; there is nobody to tell
		})
	}
	give("/openapi.json", "application/openapi+json", asJSON)
	give("/openapi.yaml", "application/openapi+yaml", asYAML)
	return nil
}
