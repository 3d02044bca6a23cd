package infer_test

import (
	"strings"
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
)

// learning begins a story whose station knows finished restores that stood still
// for these many seconds.
func learning(t *testing.T, quiet ...int) *story {
	t.Helper()
	s := newStory(t, handset(t))
	st := infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}}
	for i, q := range quiet {
		st.Learnt.Stays = append(st.Learnt.Stays, bench.Stay{
			Profile: s.p.Name, Mode: bench.Restoring, Lasted: time.Duration(10+i) * time.Minute, Quiet: time.Duration(q) * time.Second, Finished: true,
		})
	}
	s.e = infer.New(s.p, st)
	return s
}

// A restore that stands still for 170 s is stalled by the profile, which allows
// 120 s; not where finished ones stood still as long.
func TestLearntQuiet(t *testing.T) {
	const tale = "read 3.8 0 1s\nread 3.8 0.5 10s\nadd 0003\nurbs 100\nread 3.8 0.9 60s ripple=0.3\nurbs 0\nread 3.8 0.6 170s\n"
	const long = tale + "read 3.8 0.6 330s\n"
	for _, tc := range []struct {
		name    string
		quiet   []int
		tale    string
		stalled bool
	}{
		{"nothing is known", nil, tale, true},
		{"seven are too few", []int{300, 300, 300, 300, 300, 300, 300}, tale, true},
		{"eight", []int{60, 70, 80, 90, 100, 110, 120, 175}, tale, false},
		{"never below the profile's own", []int{5, 6, 7, 8, 9, 10, 11, 12}, tale, true},
		{"never beyond four times that", []int{900, 900, 900, 900, 900, 900, 900, 3000}, long, true},
	} {
		s := learning(t, tc.quiet...)
		got := s.tell(tc.tale)
		if strings.Contains(got, "stall.raised") != tc.stalled {
			t.Errorf("%s:\n%s", tc.name, got)
		}
	}
}

// What a restore still needs comes from those before this watch and from those
// of this watch, and is not said of one that was under way at first sight.
func TestNeedsShown(t *testing.T) {
	const restore = "read 3.8 0 1s\nread 3.8 0.5 10s\nadd 0003\nurbs 100\nread 3.8 0.9 2m ripple=0.3\n"
	s := learning(t, 1, 1, 1, 1)
	s.tell(restore)
	var v bench.Snapshot
	if s.e.View(s.now, &v); v.Needs != nil {
		t.Errorf("of four: %+v", v.Needs)
	}
	s.tell("read 3.8 0.9 10m ripple=0.3\nadd 0004\nread 3.8 0.4 10s\nmark stop kim\nremove\nread 3.8 0 5s\n" + restore)
	s.e.View(s.now, &v)
	n := v.Needs
	if n == nil || n.Of != 5 || n.Mode != bench.Restoring || n.Most.Known() {
		t.Fatalf("with the one of this watch: %+v", n)
	}
	if m := n.Median.Or(0); m < 9*time.Minute || m > 11*time.Minute {
		t.Errorf("still %v, the third of 10, 11, 12, 12 and 13 min is 12 min and 2 are over", m)
	}
	s = learning(t, 1, 1, 1, 1, 1)
	s.tell("add 0003\nurbs 100\nread 3.8 0.9 60s ripple=0.3")
	v = bench.Snapshot{}
	if s.e.View(s.now, &v); v.Needs != nil {
		t.Errorf("under way at first sight: %+v", v.Needs)
	}
}
