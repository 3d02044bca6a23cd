package metrics_test

import (
	"bytes"
	"flag"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"go.uber.org/goleak"

	"benchvigil/internal/bench"
	"benchvigil/internal/metrics"
	"benchvigil/internal/unit"
)

var update = flag.Bool("update", false, "rewrite the expected pages")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// restoring is a station on which everything is known.
func restoring() bench.Snapshot {
	return bench.Snapshot{
		Station: "left-1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}, At: noon,
		Mode: bench.Restoring, Window: 210 * time.Second,
		Run:         &bench.RunView{Start: noon.Add(-5 * time.Minute), Uptime: 300*time.Second + 500*time.Millisecond, WindowMet: noon.Add(-time.Minute)},
		Reading:     bench.ReadingView{At: noon, Volts: unit.Some(3801 * unit.Millivolt), Amps: unit.Some(412050 * unit.Microampere)},
		Temperature: bench.TemperatureView{At: noon.Add(-time.Second), Celsius: 31_250},
		USB:         bench.USBView{Present: true, ID: bench.USBID{Vendor: 0x1209, Product: 3}},
		Watch:       &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}, Armed: noon.Add(-time.Minute)},
		Counts: bench.Counts{
			Drops: 5, Reclassified: 3, Stalls: 1, Restarts: 2, Readings: 3000, BadReadings: 4, WatchesDone: 7, WatchesFailed: 8,
		},
		QueueDropped: 6,
	}
}

// blind is a station that has lost its sources: what they said last is old.
func blind() bench.Snapshot {
	s := restoring()
	s.Station, s.Mode, s.Run = "left-2", bench.Unknown, nil
	s.SupplyLost, s.USBLost, s.Stalled, s.StartHung, s.HandsOn = noon, noon, noon, true, noon
	return s
}

// battery is a station without readings and without a word so far.
func battery() bench.Snapshot {
	return bench.Snapshot{Station: "right-1", Hookup: bench.Hookup{Path: bench.FromBattery}, At: noon, Window: time.Hour}
}

func options(snapshots ...bench.Snapshot) metrics.Options {
	return metrics.Options{
		Snapshots: func() []bench.Snapshot { return snapshots },
		Sources: func() bench.SourceCounts {
			return bench.SourceCounts{Uevents: 3000, LostUevents: 2, Rescans: 40, Disagree: 1}
		},
		Reload:  func() (bool, time.Time) { return true, noon.Add(250 * time.Millisecond) },
		Ledger:  failing,
		Version: "1.2.3",
	}
}

// failing is a store on a disk that has been full for a quarter of a second.
func failing() metrics.Ledger {
	return metrics.Ledger{
		Commits: 1, FailedCommits: 2, Events: 3, Readings: 4, Blocks: 5, DroppedReadings: 6, DroppedFacts: 7, DroppedEvents: 8, RetiredBlocks: 9,
		TroubleSince: noon.Add(250 * time.Millisecond), StoredBytes: 10_000_000_000, WaitingBytes: 11,
	}
}

// registry is pedantic: it checks what is collected against what is described.
func registry(t *testing.T, o metrics.Options) *prometheus.Registry {
	t.Helper()
	r := prometheus.NewPedanticRegistry()
	if err := r.Register(metrics.New(o)); err != nil {
		t.Fatal(err)
	}
	return r
}

func get(t *testing.T, h http.Handler) string {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	if w.Code != http.StatusOK {
		t.Fatalf("/metrics answers %d: %s", w.Code, w.Body)
	}
	return w.Body.String()
}

func page(t *testing.T, o metrics.Options) string {
	t.Helper()
	return get(t, promhttp.HandlerFor(registry(t, o), promhttp.HandlerOpts{}))
}

func TestPage(t *testing.T) {
	got := page(t, options(restoring(), blind(), battery()))
	const golden = "testdata/metrics.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// An unknown is not a zero: these must be absent, not 0.
func TestUnknownIsAbsent(t *testing.T) {
	noVolts := restoring()
	noVolts.Reading.Volts = unit.Maybe[unit.Voltage]{}
	zero := restoring()
	zero.Reading.Amps, zero.Reading.Volts = unit.Some(unit.Current(0)), unit.Some(unit.Voltage(0))
	cold := restoring()
	cold.Temperature.At = noon.Add(-bench.TemperatureLasts - time.Second)
	empty := restoring()
	empty.USB.Present = false
	for _, tc := range []struct {
		name          string
		s             bench.Snapshot
		there, absent []string
	}{
		{"all known", restoring(), []string{"current_amperes", "voltage_volts", "temperature_celsius", "usb_present", "run_uptime_seconds"}, nil},
		{"only amps", noVolts, []string{"current_amperes"}, []string{"voltage_volts"}},
		{"a reading of zero", zero, []string{"current_amperes", "voltage_volts"}, nil},
		{"a thermometer that fell silent", cold, []string{"current_amperes"}, []string{"temperature_celsius"}},
		{"an empty port", empty, []string{"usb_present"}, nil},
		{"sources lost", blind(), []string{"supply_lost", "usb_lost"}, []string{"current_amperes", "voltage_volts", "usb_present", "run_uptime_seconds"}},
		{"battery, no port", battery(), []string{"window_seconds"}, []string{"temperature_celsius", "current_amperes", "voltage_volts", "usb_present", "run_uptime_seconds"}},
	} {
		got := page(t, options(tc.s))
		for _, name := range tc.there {
			if !strings.Contains(got, "\nbenchvigil_"+name+"{") {
				t.Errorf("%s: no %s", tc.name, name)
			}
		}
		for _, name := range tc.absent {
			if strings.Contains(got, "\nbenchvigil_"+name+"{") {
				t.Errorf("%s: %s is there, though nobody knows it", tc.name, name)
			}
		}
	}
}

// A state set has exactly one member that is 1 (OpenMetrics 1.0, "StateSet":
// an ENUM must have exactly one).
func TestModeIsAStateSet(t *testing.T) {
	var all []bench.Snapshot
	want := map[string]string{"silent": "unknown"}
	for _, m := range bench.Modes() {
		all = append(all, bench.Snapshot{Station: "in-" + string(m), Mode: m})
		want["in-"+string(m)] = string(m)
	}
	all = append(all, bench.Snapshot{Station: "silent"})
	families, err := registry(t, options(all...)).Gather()
	if err != nil {
		t.Fatal(err)
	}
	set, states := map[string]string{}, map[string]int{}
	for _, f := range families {
		if f.GetName() != "benchvigil_mode" {
			continue
		}
		for _, m := range f.GetMetric() {
			label := map[string]string{}
			for _, l := range m.GetLabel() {
				label[l.GetName()] = l.GetValue()
			}
			states[label["station"]]++
			switch m.GetGauge().GetValue() {
			case 0:
			case 1:
				if was := set[label["station"]]; was != "" {
					t.Errorf("%s is %s and %s", label["station"], was, label["mode"])
				}
				set[label["station"]] = label["mode"]
			default:
				t.Errorf("%v = %v, want 0 or 1", label, m.GetGauge().GetValue())
			}
		}
	}
	if diff := cmp.Diff(want, set); diff != "" {
		t.Errorf("the mode that is 1 (-want +got):\n%s", diff)
	}
	for station, n := range states {
		if n != len(bench.Modes()) {
			t.Errorf("%s has %d states, want all %d", station, n, len(bench.Modes()))
		}
	}
}

func TestLint(t *testing.T) {
	problems, err := testutil.GatherAndLint(registry(t, options(restoring(), blind(), battery())))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

// TestPromtool has Prometheus' own tool judge the whole page, the runtime's
// metrics included.
func TestPromtool(t *testing.T) {
	tool := os.Getenv("BENCHVIGIL_PROMTOOL")
	if tool == "" {
		found, err := exec.LookPath("promtool")
		if err != nil {
			t.Skip("no promtool: set BENCHVIGIL_PROMTOOL to where Prometheus' promtool is, or put it on the PATH")
		}
		tool = found
	}
	cmd := exec.CommandContext(t.Context(), tool, "check", "metrics")
	cmd.Stdin = strings.NewReader(get(t, metrics.New(options(restoring(), blind(), battery())).Handler()))
	if out, err := cmd.CombinedOutput(); err != nil || len(bytes.TrimSpace(out)) != 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

func TestHandler(t *testing.T) {
	got := get(t, metrics.New(options(restoring())).Handler())
	for _, want := range []string{
		`benchvigil_build_info{version="1.2.3"} 1`, `benchvigil_current_amperes{station="left-1"} 0.41205`,
		"\ngo_goroutines ", "\nprocess_",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q on the page", want)
		}
	}
}

// A bench that watches no USB has no counts of it; without stations the page
// still answers.
func TestWithoutSources(t *testing.T) {
	o := options()
	o.Sources = nil
	if got := page(t, o); strings.Contains(got, "uevents") || !strings.Contains(got, "build_info") {
		t.Errorf("want the build and no uevents:\n%s", got)
	}
}

// A bench without a store says nothing of one; a store that can be written has
// no time of its trouble, and a new one no size yet.
func TestLedger(t *testing.T) {
	without := options()
	without.Ledger = nil
	if got := page(t, without); strings.Contains(got, "benchvigil_ledger_") {
		t.Errorf("metrics of a store that is not kept:\n%s", got)
	}
	sound := options()
	sound.Ledger = func() metrics.Ledger { return metrics.Ledger{Commits: 1} }
	got := page(t, sound)
	for _, want := range []string{"trouble 0", "commits_total 1", "events_total 0", "waiting_bytes 0"} {
		if !strings.Contains(got, "\nbenchvigil_ledger_"+want+"\n") {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
	for _, unknown := range []string{"trouble_time_seconds", "size_bytes"} {
		if strings.Contains(got, "benchvigil_ledger_"+unknown) {
			t.Errorf("%s is there, though nobody knows it", unknown)
		}
	}
}

// Each scrape reads anew.
func TestReadsAtScrape(t *testing.T) {
	now := []bench.Snapshot{restoring()}
	r := registry(t, metrics.Options{Snapshots: func() []bench.Snapshot { return now }})
	count := func() int {
		families, err := r.Gather()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range families {
			if f.GetName() == "benchvigil_run_active" {
				return len(f.GetMetric())
			}
		}
		return 0
	}
	before := count()
	now = slices.Concat(now, []bench.Snapshot{battery()})
	if after := count(); before != 1 || after != 2 {
		t.Errorf("%d stations, then %d; want 1, then 2", before, after)
	}
}

func BenchmarkScrape40Stations(b *testing.B) {
	all := slices.Repeat([]bench.Snapshot{restoring()}, 40)
	for i := range all {
		all[i].Station = strings.Repeat("s", i+1)
	}
	r := prometheus.NewRegistry()
	r.MustRegister(metrics.New(options(all...)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := r.Gather(); err != nil {
			b.Fatal(err)
		}
	}
}
