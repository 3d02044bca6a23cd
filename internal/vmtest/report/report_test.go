package report_test

import (
	"bytes"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/vmtest/report"
)

func TestRoundTrip(t *testing.T) {
	want := []report.Result{
		{Check: report.Boot, OK: true, Detail: "kernel 6.1"},
		{Check: report.Life, Detail: "want\n\"running\""},
	}
	var b bytes.Buffer
	for _, r := range want {
		if err := report.Write(&b, r); err != nil {
			t.Fatal(err)
		}
	}
	serial := strings.ReplaceAll(b.String(), "\n", "\r\n") // as a terminal sends it
	got, err := report.Read(strings.NewReader(serial))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

func TestTornLine(t *testing.T) {
	got, err := report.Read(strings.NewReader("{\"check\":\"boot\",\"ok\":true}\n{\"check\":\"li"))
	if err == nil || len(got) != 1 {
		t.Errorf("got %+v, %v; want the first result and an error", got, err)
	}
}

func TestChecksAreUnique(t *testing.T) {
	seen := map[report.Check]bool{}
	for _, c := range report.Checks() {
		if seen[c] {
			t.Errorf("%s is listed twice", c)
		}
		seen[c] = true
	}
}
