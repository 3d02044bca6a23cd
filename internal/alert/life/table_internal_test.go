package life

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"text/tabwriter"

	"benchvigil/internal/bench"
)

var states = []bench.AlertState{
	bench.AlertNormal, bench.AlertUnacknowledged, bench.AlertAcknowledged, bench.AlertReturned,
	bench.AlertShelved, bench.AlertSuppressed, bench.AlertOutOfService,
}

// TestTableIsWhole holds that every input is defined in every state, and that
// only what people do can be refused.
func TestTableIsWhole(t *testing.T) {
	deeds := bench.AlertDeeds()
	if len(table) != len(states) {
		t.Errorf("%d states in the table, want %d", len(table), len(states))
	}
	for _, state := range states {
		if len(table[state]) != len(inputs()) {
			t.Errorf("%s: %d inputs, want %d", state, len(table[state]), len(inputs()))
		}
		for _, in := range inputs() {
			s, ok := table[state][in]
			deed := slices.Contains(deeds, bench.AlertDeed(in))
			switch {
			case !ok:
				t.Errorf("%s × %s is not defined", state, in)
			case s.refusal != "" && (s.tells != "" || s.to != stays || !deed):
				t.Errorf("%s × %s is refused, and yet something happens, or nobody is there to hear it: %+v", state, in, s)
			case s.to != stays && s.tells == "":
				t.Errorf("%s × %s changes the state without an event: it would be lost by a restart", state, in)
			case deed && s.refusal == "" && s.tells == "":
				t.Errorf("%s × %s: a person is not told what became of it", state, in)
			}
		}
	}
	for _, d := range deeds {
		if !slices.Contains(inputs(), input(d)) {
			t.Errorf("%s is no input", d)
		}
	}
}

// Every step of the life: the input, and what it makes of each state. A state
// alone is entered silently nowhere: after "!" stands the event; "-" changes
// nothing; "no" is refused.
func Example_table() {
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	for _, state := range states {
		_, _ = fmt.Fprintln(w, state)
		for _, in := range inputs() {
			_, _ = fmt.Fprintf(w, "  %s\t%s\n", in, cell(state, table[state][in]))
		}
	}
	_ = w.Flush()
	// Output:
	// normal
	//   raise        as it stands ! raised
	//   amend        -
	//   worsen       -
	//   return       -
	//   acknowledge  no
	//   shelve       shelved ! shelved
	//   unshelve     no
	//   take-out     out of service ! taken-out
	//   put-back     no
	//   hold         -
	//   release      -
	//   close        -
	// unacknowledged
	//   raise        as it stands ! raised
	//   amend        unacknowledged ! changed
	//   worsen       as it stands ! raised
	//   return       returned to normal ! returned
	//   acknowledge  seen to ! acknowledged
	//   shelve       shelved ! shelved
	//   unshelve     no
	//   take-out     out of service ! taken-out
	//   put-back     no
	//   hold         suppressed by design ! suppressed
	//   release      -
	//   close        -
	// acknowledged
	//   raise        as it stands ! raised
	//   amend        acknowledged ! changed
	//   worsen       as it stands ! raised
	//   return       normal ! returned
	//   acknowledge  no
	//   shelve       shelved ! shelved
	//   unshelve     no
	//   take-out     out of service ! taken-out
	//   put-back     no
	//   hold         -
	//   release      -
	//   close        -
	// returned to normal
	//   raise        as it stands ! raised
	//   amend        returned to normal ! changed
	//   worsen       returned to normal ! changed
	//   return       -
	//   acknowledge  seen to ! acknowledged
	//   shelve       shelved ! shelved
	//   unshelve     no
	//   take-out     out of service ! taken-out
	//   put-back     no
	//   hold         suppressed by design ! suppressed
	//   release      -
	//   close        normal ! returned
	// shelved
	//   raise        shelved ! raised
	//   amend        shelved ! changed
	//   worsen       as it stands ! raised
	//   return       shelved ! returned
	//   acknowledge  no
	//   shelve       shelved ! shelved
	//   unshelve     as it stands ! unshelved
	//   take-out     out of service ! taken-out
	//   put-back     no
	//   hold         -
	//   release      -
	//   close        -
	// suppressed by design
	//   raise        as it stands ! raised
	//   amend        suppressed by design ! changed
	//   worsen       suppressed by design ! changed
	//   return       normal ! returned
	//   acknowledge  seen to ! acknowledged
	//   shelve       shelved ! shelved
	//   unshelve     no
	//   take-out     out of service ! taken-out
	//   put-back     no
	//   hold         suppressed by design ! suppressed
	//   release      as it stands ! released
	//   close        -
	// out of service
	//   raise        out of service ! raised
	//   amend        out of service ! changed
	//   worsen       out of service ! changed
	//   return       out of service ! returned
	//   acknowledge  no
	//   shelve       no
	//   unshelve     no
	//   take-out     no
	//   put-back     as it stands ! put-back
	//   hold         -
	//   release      -
	//   close        -
}

func cell(state bench.AlertState, s step) string {
	switch {
	case s.refusal != "":
		return "no"
	case s.tells == "":
		return "-"
	case s.to == stays:
		s.to = state
	}
	return string(s.to) + " ! " + strings.TrimPrefix(string(s.tells), "benchvigil.alert.")
}
