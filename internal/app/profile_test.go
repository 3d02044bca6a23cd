package app_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/app"
	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/sim"
)

// recordings writes a recording of every story.
func recordings(t *testing.T) (names []string) {
	t.Helper()
	for i, sc := range sim.Scenarios() {
		names = append(names, write(t, sc, i%2 == 0))
	}
	return names
}

func learnProfile(o app.ProfileLearnOptions) (string, error) {
	var out bytes.Buffer
	o.Out, o.Warn = &out, &out
	if o.Profile == "" {
		o.Profile = handset
	}
	err := app.LearnProfile(o)
	return out.String(), err
}

func TestLearnProfile(t *testing.T) {
	written := filepath.Join(t.TempDir(), "mine.yaml")
	out, err := learnProfile(app.ProfileLearnOptions{Recordings: recordings(t), Write: written})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"MODE", "restoring", "[0.478, 1.08]", "639 s", "left", "too little: 30 s are needed", "12 dwells, up to 20s",
		"wrote " + written + ", the profile mine",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("want %q in\n%s", want, out)
		}
	}
	b, err := os.ReadFile(written)
	if err != nil {
		t.Fatal(err)
	}
	p, err := profile.Parse(bytes.NewReader(b), written)
	if err != nil {
		t.Fatal(err)
	}
	if p.Name != "mine" || p.Spec(bench.Starting).Most != 30*time.Second || p.Spec(bench.Starting).Typical != 20*time.Second {
		t.Errorf("%s: a start typically takes %v and at most %v", p.Name, p.Spec(bench.Starting).Typical, p.Spec(bench.Starting).Most)
	}
	for _, want := range []string{
		"# Learned from recordings (benchvigil profile learn), the rest as in invented-handset:\n",
		"#   restoring amps: [0.478, 1.08] from 639 s\n",
		"# An invented handset family",
	} {
		if !strings.Contains(string(b), want) {
			t.Errorf("want %q in\n%s", want, b)
		}
	}
	if out, err := learnProfile(app.ProfileLearnOptions{Recordings: recordings(t), Write: written}); !errors.Is(err, app.ErrConfig) || out != "" {
		t.Errorf("written over a file that was there: %v, %s", err, out)
	}
	if now, err := os.ReadFile(written); err != nil || !bytes.Equal(now, b) {
		t.Errorf("the file changed: %v", err)
	}
}

// The source is never touched, and nothing is written where nothing changes.
func TestLearnNothing(t *testing.T) {
	before, err := os.ReadFile(handset)
	if err != nil {
		t.Fatal(err)
	}
	sc := &sim.Scenario{Name: "short", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}, Phases: []sim.Phase{{For: 5 * time.Second}}}
	written := filepath.Join(t.TempDir(), "mine.yaml")
	out, err := learnProfile(app.ProfileLearnOptions{Recordings: []string{write(t, sc, true)}, Write: written})
	if err != nil || !strings.Contains(out, "nothing to change") {
		t.Errorf("%v\n%s", err, out)
	}
	if _, err := os.Stat(written); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file was written: %v", err)
	}
	if after, err := os.ReadFile(handset); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the profile was touched: %v", err)
	}
}

func TestLearnRefuses(t *testing.T) {
	sc, err := sim.ByName("restore-drops")
	if err != nil {
		t.Fatal(err)
	}
	good := write(t, sc, true)
	torn := filepath.Join(t.TempDir(), "torn.jsonl")
	b, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(torn, append(b[:len(b)-30], "\n\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name string
		o    app.ProfileLearnOptions
		is   error
		want string
	}{
		{"no profile", app.ProfileLearnOptions{Profile: "nowhere.yaml", Recordings: []string{good}}, app.ErrConfig, "nowhere.yaml"},
		{"no recording", app.ProfileLearnOptions{Recordings: []string{good, "nowhere.jsonl"}}, app.ErrUnreadable, "nowhere.jsonl"},
		{"torn", app.ProfileLearnOptions{Recordings: []string{torn}}, app.ErrUnreadable, torn + ":"},
		{"no such station", app.ProfileLearnOptions{Recordings: []string{good}, Station: "s9"}, app.ErrUnreadable, `no station "s9" in the recordings: there are s1`},
		{"no such folder", app.ProfileLearnOptions{Recordings: []string{good}, Write: filepath.Join(t.TempDir(), "no", "mine.yaml")}, app.ErrConfig, "write the learned profile"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := learnProfile(tc.o)
			if !errors.Is(err, tc.is) || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got %v, want %q", err, tc.want)
			}
		})
	}
}

func TestCheckProfiles(t *testing.T) {
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(bad, []byte("name: x\nwindow: 210\nmodes: {running: {amps: 5}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	err := app.CheckProfiles(app.ProfileCheckOptions{Files: []string{bad, handset, "nowhere.yaml"}, Out: &out})
	for _, want := range []string{bad + `:2:9: "210" is not a duration`, bad + ":3:25: want two numbers", "nowhere.yaml"} {
		if !errors.Is(err, app.ErrConfig) || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	if !strings.HasPrefix(out.String(), handset+": sound: invented-handset, 9 modes, 1 hint\n"+handset+":24:72: hint: bus power") {
		t.Errorf("got %s", out.String())
	}
}
