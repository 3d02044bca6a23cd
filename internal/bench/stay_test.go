package bench_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
)

// What an event says of finished work is read back as it was.
func TestStayThereAndBack(t *testing.T) {
	at := time.Date(2026, 3, 2, 21, 14, 5, 0, time.UTC)
	want := &bench.Stay{Profile: "p", Mode: bench.Restoring, Lasted: 754300 * time.Millisecond, Quiet: 40 * time.Second, Finished: true}
	e := bench.Event{Station: "s1", Type: bench.ModeChanged, Time: at, Concluded: at, Data: bench.EventData{Ended: want}}
	b, err := e.CloudEvent("b")
	if err != nil || !strings.Contains(string(b), `"ended":{"profile":"p","mode":"restoring","lasted_s":754.3,"quiet_s":40,"finished":true}`) {
		t.Fatalf("%s, %v", b, err)
	}
	got, err := bench.ParseStay(b)
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	e.Data.Ended = nil
	if b, err = e.CloudEvent("b"); err != nil || strings.Contains(string(b), "ended") {
		t.Fatalf("%s, %v", b, err)
	}
	if got, err := bench.ParseStay(b); got != nil || err != nil {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestParseStayRefuses(t *testing.T) {
	for _, in := range []string{
		``, `{"data":`, `{"data":{"ended":3}}`,
		`{"data":{"ended":{"mode":"resting","lasted_s":1}}}`,
		`{"data":{"ended":{"mode":"restoring","lasted_s":-1}}}`,
		`{"data":{"ended":{"mode":"restoring","lasted_s":10,"quiet_s":11}}}`,
		`{"data":{"ended":{"mode":"restoring","lasted_s":1e300}}}`,
	} {
		if got, err := bench.ParseStay([]byte(in)); err == nil {
			t.Errorf("%q: %+v", in, got)
		}
	}
}

func FuzzParseStay(f *testing.F) {
	f.Add([]byte(`{"data":{"ended":{"profile":"p","mode":"restoring","lasted_s":754.3,"quiet_s":40,"finished":true}}}`))
	f.Add([]byte(`{"data":{}}`))
	f.Add([]byte(`{"data":{"ended":{"mode":"re-pairing","lasted_s":1e-9,"quiet_s":0}}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := bench.ParseStay(b)
		if err == nil && s != nil && (s.Lasted < 0 || s.Quiet < 0 || s.Quiet > s.Lasted) {
			t.Errorf("%q: %+v", b, s)
		}
	})
}
