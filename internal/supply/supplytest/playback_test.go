package supplytest_test

import (
	"bufio"
	"fmt"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/supply/supplytest"
)

// witness is a test that only notes what it is failed for.
type witness struct {
	testing.TB
	errors []string
	ended  []func()
}

func (w *witness) Helper()          {}
func (w *witness) Cleanup(f func()) { w.ended = append(w.ended, f) }
func (w *witness) Error(a ...any)   { w.errors = append(w.errors, fmt.Sprint(a...)) }
func (w *witness) Errorf(format string, a ...any) {
	w.errors = append(w.errors, fmt.Sprintf(format, a...))
}

func (w *witness) end() {
	for _, f := range w.ended {
		f()
	}
}

// The fake must fail a test that departs from its script.
func TestPlaybackFailsItsTest(t *testing.T) {
	script := supplytest.Talk(supplytest.Reply("A?", "1"), supplytest.Reply("B?", "2"))
	for _, tc := range []struct {
		name  string
		calls []supplytest.Call
		asked []string
		dials int
		want  []string
	}{
		{"followed", []supplytest.Call{script}, []string{"A?", "B?"}, 1, nil},
		{"cut short", []supplytest.Call{script}, []string{"A?"}, 1, []string{"1 steps of the script were not played"}},
		{"never dialled", []supplytest.Call{script}, nil, 0, []string{"2 steps of the script were not played"}},
		{"refusal not met", []supplytest.Call{supplytest.Refused()}, nil, 0, []string{"1 steps of the script were not played"}},
		{"another query", []supplytest.Call{script}, []string{"A?", "C?"}, 1, []string{`query 2 is "C?\n", want "B?\n"`}},
		{"one query too many", []supplytest.Call{script}, []string{"A?", "B?", "A?"}, 1, []string{`unexpected query "A?\n": the script of this connection is used up`}},
		{"one connection too many", []supplytest.Call{supplytest.Talk()}, nil, 2, []string{"unexpected connection: the script is used up"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := &witness{TB: t}
				p := supplytest.New(w, tc.calls...)
				for range tc.dials {
					c, err := p.Dial(t.Context())
					if err != nil {
						continue
					}
					r := bufio.NewReader(c)
					for _, q := range tc.asked {
						_ = c.SetDeadline(time.Now().Add(time.Second))
						_, _ = io.WriteString(c, q+"\n")
						_, _ = r.ReadString('\n')
					}
					synctest.Wait()
					_ = c.Close()
				}
				w.end()
				if diff := cmp.Diff(tc.want, w.errors); diff != "" {
					t.Errorf("failed for (-want +got):\n%s", diff)
				}
			})
		})
	}
}
