package signature_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/signature"
)

func reference(t testing.TB) signature.Reference {
	t.Helper()
	tr := ended(t, signature.Up, 100*ms, hold(45, 3, 210, 3)...)
	tr.Mode, tr.After = bench.Running, 450*ms
	return signature.Reference{
		Kind: signature.Good, Name: "known good", Profile: "invented-handset", Station: "left-1",
		Taken: time.Date(2026, 3, 2, 21, 14, 5, 300_000_000, time.UTC), Trace: tr,
	}
}

const written = `{
  "trace": 1,
  "kind": "good",
  "name": "known good",
  "profile": "invented-handset",
  "vbus": false,
  "taken": "2026-03-02T21:14:05.3Z",
  "station": "left-1",
  "ended": "up",
  "mode": "running",
  "after_s": 0.45,
  "every_s": 0.1,
  "amps": [0.045, 0.045, 0.045, 0.21, 0.21, 0.21]
}
`

func TestReference(t *testing.T) {
	want := reference(t)
	var b bytes.Buffer
	if err := want.Write(&b); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(written, b.String()); d != "" {
		t.Error(d)
	}
	got, err := signature.ReadReference(&b, "known-good.json")
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestReferenceRefuses(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{`"trace": 1`, `"trace": 2`, "trace: version 2 is not known to this program, which reads version 1"},
		{`"kind": "good"`, `"kind": "bad"`, `kind "bad": want good or fault`},
		{`"known good"`, `""`, `the name ""`},
		{`"known good"`, `" x"`, `the name " x"`},
		{`"known good"`, `"` + strings.Repeat("x", 65) + `"`, "want 1 to 64 characters"},
		{`"invented-handset"`, `""`, "profile is missing"},
		{`"ended": "up"`, `"ended": "fine"`, `ended "fine"`},
		{`"every_s": 0.1`, `"every_s": 0.15`, "every_s 0.15: want a multiple of 0.1 up to 2"},
		{`"every_s": 0.1`, `"every_s": 0`, "every_s 0"},
		{`"every_s": 0.1`, `"every_s": 1e300`, "every_s 1e+300"},
		{`"after_s": 0.45`, `"after_s": -1`, "after_s -1"},
		{`"after_s": 0.45`, `"after_s": 100`, "after_s 100: want 0 to 60"},
		{`"mode": "running"`, `"mode": "flying"`, "flying"},
		{`[0.045, 0.045, 0.045, 0.21, 0.21, 0.21]`, `[]`, "amps: 0 levels"},
		{`0.21]`, `"much"]`, "much"},
		{`0.21]`, `2000]`, "amps[5]"},
		{`0.21]`, strings.Repeat("0,", 600) + `0]`, "amps: 606 levels, want 1 to 601"},
		{`"vbus"`, `"bus"`, "bus"},
		{"}\n", "}\n{}", "something follows"},
		{"{", "", "not a reference trace"},
	} {
		text := strings.Replace(written, c.from, c.to, 1)
		if text == written {
			t.Fatalf("%s is not in it", c.from)
		}
		_, err := signature.ReadReference(strings.NewReader(text), "x.json")
		if !errors.Is(err, signature.ErrReference) || !strings.HasPrefix(err.Error(), "x.json: ") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s for %s: %v", c.to, c.from, err)
		}
	}
	if _, err := signature.ReadReference(strings.NewReader(strings.Repeat(" ", 1<<20+1)), "x.json"); !errors.Is(err, signature.ErrReference) {
		t.Errorf("a large file: %v", err)
	}
}

// Whatever is taken for a reference can be compared and written again.
func FuzzReadReference(f *testing.F) {
	f.Add([]byte(written))
	f.Add([]byte(strings.Replace(written, `"every_s": 0.1`, `"every_s": 2`, 1)))
	f.Add([]byte(strings.Replace(written, `"up"`, `"dropped"`, 1)))
	f.Add([]byte(`{"trace":1,"kind":"fault","name":"x","profile":"p","ended":"cut","after_s":0,"every_s":0.3,"amps":[-1e-6,99.9]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := signature.ReadReference(bytes.NewReader(b), "x.json")
		if err != nil {
			if !errors.Is(err, signature.ErrReference) {
				t.Fatal(err)
			}
			return
		}
		if m := signature.Compare(r.Trace, []signature.Reference{r, reference(t)}); len(m) != 2 || m[0].Distance < 0 {
			t.Fatalf("compared: %+v", m)
		}
		var out bytes.Buffer
		if err := r.Write(&out); err != nil {
			t.Fatal(err)
		}
		again, err := signature.ReadReference(&out, "again.json")
		if err != nil {
			t.Fatal(err)
		}
		r.Taken, again.Taken = time.Time{}, time.Time{}
		if d := cmp.Diff(r, again); d != "" {
			t.Fatal(d)
		}
	})
}
