package api_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"strings"
	"testing"

	"benchvigil/internal/access"
)

// curlLines are the commands of the README.
func curlLines(t *testing.T) (out []string) {
	t.Helper()
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.SplitSeq(string(b), "\n") {
		if line, is := strings.CutPrefix(line, "    curl "); is && strings.Contains(line, "/api/v1") || is && strings.Contains(line, "$BENCH") {
			out = append(out, line)
		}
	}
	return out
}

// words splits a command line as a shell does that is only given words, and
// words in quotes of either kind.
func words(line string) (out []string, err error) {
	for line = strings.TrimSpace(line); line != ""; line = strings.TrimSpace(line) {
		end, skip := strings.IndexByte(line, ' '), 0
		if q := line[0]; q == '"' || q == '\'' {
			end, skip = strings.IndexByte(line[1:], q), 1
			if end < 0 {
				return nil, fmt.Errorf("%s: a quote has no end", line)
			}
			end++
		}
		if end < 0 {
			end = len(line)
		}
		out = append(out, line[skip:end])
		line = line[min(end+skip, len(line)):]
	}
	return out, nil
}

// curled is the request that curl makes of its arguments, or why they are none
// that this test knows.
func curled(t *testing.T, args []string) (method, target, body string, head http.Header, err error) {
	t.Helper()
	method, head = http.MethodGet, http.Header{}
	set := strings.NewReplacer("$BENCH", "http://127.0.0.1:8420/api/v1", "$TOKEN", "sesame", "$FIRST", "0123", "$SECOND", "4567")
	for len(args) > 0 {
		arg := args[0]
		args = args[1:]
		takes := map[string]bool{"-H": true, "-o": true, "--json": true, "--cacert": true}[arg]
		if takes && len(args) == 0 {
			return "", "", "", nil, fmt.Errorf("%s of what?", arg)
		}
		switch arg {
		case "-H":
			name, value, _ := strings.Cut(set.Replace(args[0]), ": ")
			head.Set(name, value)
		case "--json": // curl 7.82 and later
			method, body = http.MethodPost, args[0]
			head.Set("Content-Type", "application/json")
		case "-s", "-sN", "-si", "-o", "--cacert":
		default:
			if strings.HasPrefix(arg, "-") || target != "" {
				return "", "", "", nil, fmt.Errorf("%s: this test does not know it", arg)
			}
			target = set.Replace(arg)
		}
		if takes {
			args = args[1:]
		}
	}
	return method, target, body, head, nil
}

// What the README says can be asked is answered, and it says so of every
// operation.
func TestReadmeWorks(t *testing.T) {
	v, model := document(t)
	h := bed{}.handler(t)
	met := map[string]bool{}
	for _, line := range curlLines(t) {
		args, err := words(line)
		if err != nil {
			t.Fatal(err)
		}
		method, target, body, head, err := curled(t, args)
		if err != nil {
			t.Fatalf("curl %s: %v", line, err)
		}
		u, err := url.Parse(target)
		if err != nil {
			t.Fatal(err)
		}
		a := attempt{path: strings.TrimPrefix(u.RequestURI(), "/api/v1/"), body: body, kind: head.Get("Content-Type"), head: head}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, a.request(t, method))
		if w.Code >= 300 {
			t.Errorf("curl %s: %d %s", line, w.Code, w.Body)
		}
		if ok, wrong := v.ValidateHttpRequest(a.request(t, method)); !ok {
			t.Errorf("curl %s: %v", line, said(wrong))
		}
		met[method+" "+operationOf(h, a.request(t, method))] = true
	}
	for path, item := range model.Paths.PathItems.FromOldest() {
		for method := range item.GetOperations().FromOldest() {
			if !met[strings.ToUpper(method)+" "+path] {
				t.Errorf("the README has no curl line for %s %s", method, path)
			}
		}
	}
}

// operationOf is the path as it is described that a request goes to: what a
// ServeMux notes in the request that it serves.
func operationOf(h http.Handler, r *http.Request) string {
	r = r.WithContext(access.With(r.Context(), access.Who{Role: access.Work}))
	h.ServeHTTP(httptest.NewRecorder(), r)
	_, path, _ := strings.Cut(r.Pattern, " ")
	return path
}
