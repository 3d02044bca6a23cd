package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/validation"
)

// What an operation takes is enforced from its own description, before its handler
// sees the request: so nothing can be described that is not so. Handlers refuse
// only what a description cannot say.

// Wrong is one thing that is wrong with a request.
type Wrong struct {
	In    string `json:"in" enum:"query,body" doc:"Where."`
	Field string `json:"field,omitempty" doc:"Which parameter or field; left out for the body as a whole." example:"days"`
	Want  string `json:"detail" doc:"What is wrong, and what to do." example:"want number <= 366, not 400"`
}

func (e Wrong) String() string {
	if e.Field == "" {
		return e.Want
	}
	return e.Field + ": " + e.Want
}

// checked lets through what an operation takes as it is described.
func checked(types huma.Registry, op *huma.Operation, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		wrong := wrongQuery(types, op, r)
		if op.RequestBody != nil {
			body, code, bad := readBody(types, op, w, r)
			if code != 0 {
				refuse(w, code, bad...)
				return
			}
			wrong = append(wrong, bad...)
			r.Body = io.NopCloser(bytes.NewReader(body))
		}
		if len(wrong) > 0 {
			refuse(w, http.StatusUnprocessableEntity, wrong...)
			return
		}
		next(w, r)
	}
}

// wrongQuery finds what the query has that it should not have, and lacks.
func wrongQuery(types huma.Registry, op *huma.Operation, r *http.Request) (out []Wrong) {
	given := r.URL.Query()
	var names []string
	for _, p := range op.Parameters {
		if p.In != "query" {
			continue
		}
		names = append(names, p.Name)
		switch values := given[p.Name]; {
		case len(values) > 1:
			out = append(out, Wrong{"query", p.Name, "is given more than once"})
		case given.Get(p.Name) != "":
			out = append(out, wrongWord(types, p, values[0])...)
		case p.Required:
			out = append(out, Wrong{"query", p.Name, "is needed: " + p.Description})
		}
	}
	for _, name := range slices.Sorted(maps.Keys(given)) {
		if !slices.Contains(names, name) {
			out = append(out, Wrong{"query", short(name), "is nothing that can be asked for: " + there(names)})
		}
	}
	return out
}

func there(names []string) string {
	if len(names) == 0 {
		return "there is none"
	}
	return "there are " + strings.Join(names, ", ")
}

// wrongWord holds a word of the query against its schema.
func wrongWord(types huma.Registry, p *huma.Param, word string) []Wrong {
	var v any = word
	if p.Schema.Type == huma.TypeInteger {
		if n, err := strconv.ParseInt(word, 10, 32); err == nil {
			v = float64(n)
		}
	}
	return against(types, p.Schema, "query", p.Name, v)
}

// against holds a value against a schema.
func against(types huma.Registry, s *huma.Schema, in, field string, v any) (out []Wrong) {
	path, res := huma.NewPathBuffer(nil, 0), &huma.ValidateResult{}
	huma.Validate(types, s, path, huma.ModeWriteToServer, v, res)
	for _, err := range res.Errors {
		var d *huma.ErrorDetail
		if errors.As(err, &d) {
			out = append(out, wrongOf(types, s, in, field, d))
		}
	}
	return out
}

// wrongOf puts what huma says into our words.
func wrongOf(types huma.Registry, s *huma.Schema, in, field string, d *huma.ErrorDetail) Wrong {
	out := Wrong{In: in, Field: short(strings.TrimPrefix(d.Location, "."))}
	if out.Field == "" {
		out.Field = field
	}
	var name string
	switch _, err := fmt.Sscanf(d.Message, validation.MsgExpectedRequiredProperty, &name); {
	case err == nil:
		out.Field, out.Want = name, "is needed"
	case d.Message == validation.MsgUnexpectedProperty:
		out.Want = "is no field of this request: " + there(fields(types, s))
	default:
		out.Want = strings.Replace(d.Message, "expected", "want", 1) + ", not " + shown(d.Value)
	}
	return out
}

func fields(types huma.Registry, s *huma.Schema) []string {
	for s.Ref != "" {
		s = types.SchemaFromRef(s.Ref)
	}
	return slices.Sorted(maps.Keys(s.Properties))
}

// shown is a value as the client wrote it, if that is short.
func shown(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return "that"
	}
	return short(string(b))
}

// short keeps what a client sends from filling an answer.
func short(text string) string {
	const most = 80
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most]) + "…"
	}
	return text
}

// readBody reads a body and finds what is wrong with it; a code where it is no
// JSON at all.
func readBody(types huma.Registry, op *huma.Operation, w http.ResponseWriter, r *http.Request) (body []byte, code int, wrong []Wrong) {
	if kind := r.Header.Get("Content-Type"); kind != "" {
		if t, _, err := mime.ParseMediaType(kind); err != nil || t != "application/json" {
			return nil, http.StatusUnsupportedMediaType, []Wrong{{"body", "", fmt.Sprintf("the request is %s: send JSON, with the header Content-Type: application/json", short(kind))}}
		}
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		return nil, http.StatusRequestEntityTooLarge, []Wrong{{"body", "", fmt.Sprintf("the request is too large: want up to %d bytes", large.Limit)}}
	case err != nil:
		return nil, http.StatusBadRequest, []Wrong{{"body", "", "the request cannot be read: " + err.Error()}}
	}
	var v any
	if err := json.Unmarshal(body, &v); err != nil {
		return nil, http.StatusBadRequest, []Wrong{{"body", "", fmt.Sprintf("the request cannot be read as JSON: %v", err)}}
	}
	return body, 0, against(types, op.RequestBody.Content["application/json"].Schema, "body", "", v)
}

// refuse says what is wrong with a request.
func refuse(w http.ResponseWriter, code int, wrong ...Wrong) {
	var all []string
	for _, e := range wrong {
		all = append(all, e.String())
	}
	send(w, Problem{Title: http.StatusText(code), Status: code, Detail: strings.Join(all, "; "), Errors: wrong})
}

// refuseField says what is wrong with one field of a body that its description
// cannot say.
func refuseField(w http.ResponseWriter, field string, err error) {
	refuse(w, http.StatusUnprocessableEntity, Wrong{"body", field, err.Error()})
}
