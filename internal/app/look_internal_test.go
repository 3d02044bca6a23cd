package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"benchvigil/internal/api"
)

var errGone = errors.New("nobody listens")

// answer is what a daemon gives to one look.
type answer struct {
	notice string
	err    error
}

var good, refused, gone = answer{}, answer{notice: "refused"}, answer{err: errGone}

// lookAt shows what a daemon answers, look by look, until it has no more to
// answer, and returns what was said with the times of looks taken out.
func lookAt(t *testing.T, o StatusOptions, answers ...answer) (out, said string, err error) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		var b, s bytes.Buffer
		o.Watch, o.Every, o.Out, o.Say = true, time.Second, &b, &s
		l := looker{o: o, ask: func(ctx context.Context) ([]api.Status, string, error) {
			if len(answers) == 0 {
				cancel()
				return nil, "", ctx.Err()
			}
			a := answers[0]
			answers = answers[1:]
			if a.err != nil {
				return nil, "", a.err
			}
			return []api.Status{{Station: "s1"}}, a.notice, nil
		}}
		begun := time.Now()
		err = l.run(ctx)
		out, said = b.String(), s.String()
		for i := range 10 {
			at := at(begun.Add(time.Duration(i) * time.Second))
			out = strings.ReplaceAll(out, at, fmt.Sprintf("T%d", i))
			said = strings.ReplaceAll(said, at, fmt.Sprintf("T%d", i))
		}
	})
	return out, said, err
}

// A watching status waits for a daemon that is started again, and says since
// when, once.
func TestWatchingStatusWaits(t *testing.T) {
	out, said, err := lookAt(t, StatusOptions{}, good, gone, gone, good, gone)
	if err != nil || said != "" || strings.Count(out, "s1") != 2 {
		t.Errorf("%v, %q\n%s", err, said, out)
	}
	if a, b := strings.Count(out, "no answer since T0: nobody listens\n"), strings.Count(out, "no answer since T3: nobody listens\n"); a != 1 || b != 1 {
		t.Errorf("said %d and %d times that there is no answer, want once each\n%s", a, b, out)
	}
	if out, _, err = lookAt(t, StatusOptions{}, gone); !errors.Is(err, errGone) || out != "" {
		t.Errorf("one that never answered: %v %q", err, out)
	}
}

// Beside JSON, what is no station goes elsewhere, and once.
func TestWatchingStatusAsJSON(t *testing.T) {
	out, said, err := lookAt(t, StatusOptions{JSON: true}, refused, refused, gone, gone, refused, good, refused)
	if want := "refused\nno answer since T1: nobody listens\nrefused\nrefused\n"; err != nil || said != want {
		t.Errorf("%v, said %q, want %q", err, said, want)
	}
	if n := strings.Count(out, "\n"); n != 5 || strings.Count(out, `[{"station":"s1"`) != 5 {
		t.Errorf("want 5 lines of JSON:\n%s", out)
	}
}

func TestStatusClearsTheScreen(t *testing.T) {
	out, _, err := lookAt(t, StatusOptions{Clear: true}, good, gone, good)
	if err != nil || strings.Count(out, "\x1b[2J") != 3 {
		t.Errorf("%v %q", err, out)
	}
}
