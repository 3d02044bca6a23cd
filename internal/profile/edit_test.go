package profile_test

import (
	"io/fs"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
)

func TestEdit(t *testing.T) {
	const in = `# Head.
name: x # the name
modes:
  # Of running.
  running: {usb: ["1209:0004"], amps: [0.1, 1], gap: 4s}
  restoring:
    amps: [0.2, 1.6] # seen once
    dwell: {typical: 12m, most: 3h}
`
	const want = `# Head.
name: y # the name
starts_above: 0.03
modes:
  # Of running.
  running: {usb: ["1209:0004"], amps: [0.25, 0.9], gap: 4s, dwell: {most: 90s}}
  restoring:
    amps: [0.3, 1.5] # seen once
    dwell: {typical: 10m, most: 3h}
    traffic: [0, 310]
`
	got, err := profile.Edit([]byte(in), "p.yaml", []profile.Change{
		{Key: "name", To: []string{"y"}},
		{Key: "starts_above", To: []string{"0.03"}},
		{Mode: bench.Running, Key: profile.KeyAmps, To: profile.Band{Low: 250_000, High: 900_000}.Values()},
		{Mode: bench.Running, Key: profile.KeyMost, To: []string{profile.Duration(90 * time.Second)}},
		{Mode: bench.Restoring, Key: profile.KeyAmps, To: []string{"0.3", "1.5"}},
		{Mode: bench.Restoring, Key: profile.KeyTypical, To: []string{profile.Duration(10 * time.Minute)}},
		{Mode: bench.Restoring, Key: profile.KeyTraffic, To: profile.Rates{High: 310}.Values()},
	})
	want90 := strings.Replace(want, "90s", "1m30s", 1) // as Go prints durations
	if diff := cmp.Diff(want90, string(got)); err != nil || diff != "" {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
}

// Comments survive in every shipped profile, whatever is changed.
func TestEditKeepsComments(t *testing.T) {
	files, err := fs.Glob(shipped, "*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, f := range files {
		b, err := fs.ReadFile(shipped, f)
		if err != nil {
			t.Fatal(err)
		}
		got, err := profile.Edit(b, f, []profile.Change{
			{Mode: bench.Running, Key: profile.KeyAmps, To: []string{"0.1", "1.1"}},
			{Mode: bench.Restoring, Key: profile.KeyMost, To: []string{"5h"}},
		})
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(b)) {
			_, comment, ok := strings.Cut(line, "#")
			if ok && !strings.Contains(string(got), "#"+comment) {
				t.Errorf("%s: lost the comment #%s", f, comment)
			}
		}
		p, err := parse(t, string(got))
		if err != nil || p.Spec(bench.Running).Amps.Or(profile.Band{}) != (profile.Band{Low: 100_000, High: 1_100_000}) || p.Spec(bench.Restoring).Most != 5*time.Hour {
			t.Errorf("%s: %v, the changes are not in it", f, err)
		}
	}
}

func TestEditRefuses(t *testing.T) {
	for _, tc := range []struct {
		name, in string
		c        profile.Change
		want     string
	}{
		{"no profile", "name: x", profile.Change{}, "modes is missing"},
		{"makes it unsound", "name: x\nmodes: {running: {}}", profile.Change{Mode: bench.Running, Key: "amps", To: []string{"2", "1"}}, "the changed profile is not sound"},
		{"shared by an alias", "name: x\nmodes: {loader: &l {}, running: *l}", profile.Change{Mode: bench.Running, Key: "amps", To: []string{"1", "2"}}, "running is not written out there"},
		{"an anchor goes", "name: x\nmodes: {loader: {amps: &a [0, 1]}, running: {amps: *a}}", profile.Change{Mode: bench.Loader, Key: "amps", To: []string{"1", "2"}}, "unknown anchor"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := profile.Edit([]byte(tc.in), "p.yaml", []profile.Change{tc.c})
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got %q, %v; want an error with %q", got, err, tc.want)
			}
		})
	}
}

func TestDuration(t *testing.T) {
	for want, d := range map[string]time.Duration{
		"20s": 20 * time.Second, "1m30s": 90 * time.Second, "12m": 12 * time.Minute, "3h": 3 * time.Hour,
		"1h30m": 90 * time.Minute, "10m": 10 * time.Minute, "150ms": 150 * time.Millisecond, "1h0m5s": time.Hour + 5*time.Second,
	} {
		got := profile.Duration(d)
		if back, err := time.ParseDuration(got); got != want || err != nil || back != d {
			t.Errorf("Duration(%d) = %q, which is %v, %v; want %q", d, got, back, err, want)
		}
	}
}

func FuzzEdit(f *testing.F) {
	b, err := fs.ReadFile(shipped, "invented-handset.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte("name: x\nmodes: {running: {usb: [\"1209:0004\"], amps: [0, 1]}}"))
	f.Add([]byte("name: &n x\nmodes: &m {loader: &l {amps: &a [0, 1]}, running: *l} # c"))
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := profile.Edit(b, "fuzz", []profile.Change{{Mode: bench.Running, Key: profile.KeyAmps, To: []string{"0.1", "1.1"}}})
		if err != nil {
			return
		}
		p, err := parse(t, string(got))
		if err != nil || p.Spec(bench.Running).Amps.Or(profile.Band{}) != (profile.Band{Low: 100_000, High: 1_100_000}) {
			t.Errorf("%q became %q: %v", b, got, err)
		}
		if _, _, err := profile.Examine(strings.NewReader(string(got)), "fuzz"); err != nil {
			t.Error(err)
		}
	})
}
