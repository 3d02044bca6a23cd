package recording_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/recording"
)

// twice is a recording in which s1 is wired otherwise and begins anew, while
// s2 goes on and s3 ends for good.
const twice = `{"recording":1,"bench":"north","stations":{"s1":{"power":"supply","usb":true},"s2":{"power":"supply","usb":false},"s3":{"power":"supply","usb":false}}}
{"at":"2026-03-02T21:00:00Z","station":"s1","power":{"amps":0.4}}
{"at":"2026-03-02T21:00:00Z","station":"s2","power":{"amps":0.4}}
{"at":"2026-03-02T21:00:00Z","station":"s3","power":{"amps":0.4}}
{"at":"2026-03-02T21:00:01Z","station":"s1","clock":{"change":"end"}}
{"at":"2026-03-02T21:00:01Z","station":"s3","clock":{"change":"end"}}
{"recording":1,"bench":"north","stations":{"s1":{"power":"battery","vbus":true,"usb":true},"s2":{"power":"supply","usb":false}}}
{"at":"2026-03-02T21:00:02Z","station":"s1","usb":{"change":"remove","port":"1-2"}}
{"at":"2026-03-02T21:00:03Z","station":"s2","power":{"amps":0.4}}
`

// noting notes what an engine is asked.
type noting struct {
	name string
	said *[]string
}

func (n noting) Step(o bench.Observation) []bench.Event {
	*n.said = append(*n.said, fmt.Sprintf("%s: %s %T", n.name, o.At.Format("05"), o.Fact))
	return nil
}

func (n noting) Tick(now time.Time) []bench.Event {
	*n.said = append(*n.said, fmt.Sprintf("%s: %s tick", n.name, now.Format("05")))
	return nil
}

func (noting) Finish() []bench.Event { return nil }

func TestReplayBeginsAnewAfterAnEnd(t *testing.T) {
	d, err := recording.NewReader(strings.NewReader(twice), "twice.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	var said []string
	engines := map[string]recording.Engine{}
	for _, id := range []string{"s1", "s2", "s3"} {
		engines[id] = noting{id, &said}
	}
	before := bench.Hookup{Path: bench.FromSupply, USB: true}
	anew := func(id string, s recording.Stations) recording.Engine {
		return noting{fmt.Sprintf("%s anew %+v", id, s.Over(before)), &said}
	}
	if err := recording.Replay(d, engines, anew, func(bench.Event) error { return nil }); err != nil {
		t.Fatal(err)
	}
	fresh := fmt.Sprintf("s1 anew %+v", bench.Hookup{Path: bench.FromBattery, VBUS: true, USB: true})
	want := []string{
		"s1: 00 bench.Power", "s2: 00 bench.Power", "s3: 00 bench.Power",
		"s1: 01 bench.Clock", "s3: 01 bench.Clock",
		fresh + ": 02 bench.USB", "s2: 03 bench.Power",
		fresh + ": 03 tick", "s2: 03 tick",
	}
	if diff := cmp.Diff(want, said); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestSurveyKnowsTheFirstWiring(t *testing.T) {
	d, err := recording.NewReader(strings.NewReader(twice), "twice.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	got, err := recording.Survey(d)
	if err != nil {
		t.Fatal(err)
	}
	supply := bench.Hookup{Path: bench.FromSupply}
	want := map[string]bench.Hookup{"s1": {Path: bench.FromSupply, USB: true}, "s2": supply, "s3": supply}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestOverWithoutAWord(t *testing.T) {
	h := bench.Hookup{Path: bench.FromBattery, VBUS: true, USB: true}
	if got := (recording.Stations{}).Over(h); got != h {
		t.Errorf("got %+v, want it as it was", got)
	}
}

// A later header is held to the same rules as the first.
func TestBadLaterHeader(t *testing.T) {
	for text, want := range map[string]string{
		`{"recording":7}`: "twice.jsonl:10: recording: version 7",
		`{"recording":1,"stations":{"s1":{"power":"sun"}}}`: "twice.jsonl:10: stations.s1.power",
	} {
		d, err := recording.NewReader(strings.NewReader(twice+text+"\n"), "twice.jsonl")
		if err != nil {
			t.Fatal(err)
		}
		for err == nil {
			_, err = d.Next()
		}
		d.Close()
		if !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}

// A station whose watch is taken up again goes on, after a clean end and after
// none.
func TestReplayGoesOnAfterAGap(t *testing.T) {
	const text = `{"at":"2026-03-02T21:00:00Z","station":"s1","power":{"amps":0.4}}
{"at":"2026-03-02T21:00:01Z","station":"s1","clock":{"change":"end"}}
{"at":"2026-03-02T21:00:05Z","station":"s1","clock":{"change":"gap","for_s":4}}
{"at":"2026-03-02T21:00:06Z","station":"s1","power":{"amps":0.4}}
{"at":"2026-03-02T21:00:09Z","station":"s1","clock":{"change":"gap","for_s":2}}
{"at":"2026-03-02T21:00:10Z","station":"s1","clock":{"change":"end"}}
{"at":"2026-03-02T21:00:11Z","station":"s1","power":{"amps":0.4}}
`
	d, err := recording.NewReader(strings.NewReader(text), "gap.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	var said []string
	anew := func(string, recording.Stations) recording.Engine { return noting{"anew", &said} }
	if err := recording.Replay(d, map[string]recording.Engine{"s1": noting{"s1", &said}}, anew, func(bench.Event) error { return nil }); err != nil {
		t.Fatal(err)
	}
	want := []string{
		"s1: 00 bench.Power", "s1: 01 bench.Clock", "s1: 05 bench.Clock", "s1: 06 bench.Power", "s1: 09 bench.Clock", "s1: 10 bench.Clock",
		"anew: 11 bench.Power", "anew: 11 tick",
	}
	if diff := cmp.Diff(want, said); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
