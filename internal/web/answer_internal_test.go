package web

import (
	"errors"
	"net/http"
	"strings"
	"testing"
)

// A script is answered in place: with what was done and a button that takes it back
// where that can be, or with why it was not done; the code tells the same.
func TestAnsweredInPlace(t *testing.T) {
	for _, tc := range []struct {
		name, path, form string
		refuse           error
		code             int
		said, undo       string
	}{
		{"shelved", "/alerts/k", "do=shelve+15&back=/m", nil, 200, "Shelved", "do unshelve"},
		{"acknowledged", "/alerts/k", "do=acknowledge", nil, 200, "Acknowledged", ""},
		{"refused", "/alerts/k", "do=acknowledge", errors.New("which one?"), 422, "Not done. Which one?", ""},
		{"hands on", "/m/s-1/marks", "mark=hands-on", nil, 200, "Marked: hands on.", "mark hands-off"},
		{"stopped", "/stations/s-1/marks", "mark=stop&sure=1", nil, 200, "Marked: stop.", "mark resume"},
		{"a note", "/m/s-1/marks", "mark=note&text=x", nil, 200, "Marked: note.", ""},
		{"no mark", "/m/s-1/marks", "mark=pause", nil, 422, "is no mark", ""},
	} {
		r := send(t, alerting(t, &desk{refuse: tc.refuse}), tc.path, tc.form, "HX-Request", "true")
		root := parse(t, body(t, r))
		answer := one(t, root, "div", "answer")
		undo := ""
		for _, b := range all(answer, "button", "") {
			undo = attribute(b, "name") + " " + attribute(b, "value")
		}
		if r.StatusCode != tc.code || !strings.Contains(text(answer), tc.said) || undo != tc.undo {
			t.Errorf("%s: %s, %q with %q", tc.name, r.Status, text(answer), undo)
		}
		if got := hasClass(answer, "wrong"); got != (tc.code != http.StatusOK) || len(all(root, "main", "")) != 0 {
			t.Errorf("%s: wrong %v, or a whole page", tc.name, got)
		}
	}
}
