package metrics

import (
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"benchvigil/internal/bench"
)

// Options say what to collect. Snapshots is needed; without Sources the
// metrics of the whole bench are absent, without Reload those of its
// configuration, without Ledger those of its store.
type Options struct {
	Snapshots func() []bench.Snapshot
	Sources   func() bench.SourceCounts
	Reload    func() (ok bool, at time.Time) // whether the newest configuration is in force, and since when the one in force is
	Ledger    func() Ledger                  // must not wait for a disk
	Version   string
}

// Collector is a prometheus.Collector. It is safe for concurrent use.
type Collector struct {
	o Options
}

var _ prometheus.Collector = (*Collector)(nil)

// New returns a Collector that is registered nowhere yet.
func New(o Options) *Collector { return &Collector{o} }

// Handler serves the metrics of the bench, of the Go runtime and of the
// process, from a registry of its own.
func (c *Collector) Handler() http.Handler {
	r := prometheus.NewRegistry()
	r.MustRegister(c, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{})
}

// Describe implements prometheus.Collector.
func (c *Collector) Describe(out chan<- *prometheus.Desc) {
	out <- buildInfo
	out <- mode
	out <- reloadOK
	out <- reloadTime
	for _, m := range ofStation {
		out <- m.desc
	}
	for _, m := range ofBench {
		out <- m.desc
	}
	for _, m := range ofLedger {
		out <- m.desc
	}
}

// Collect implements prometheus.Collector.
func (c *Collector) Collect(out chan<- prometheus.Metric) {
	out <- prometheus.MustNewConstMetric(buildInfo, prometheus.GaugeValue, 1, c.o.Version)
	for _, s := range c.o.Snapshots() {
		collectStation(out, &s)
	}
	if c.o.Reload != nil {
		ok, at := c.o.Reload()
		out <- prometheus.MustNewConstMetric(reloadOK, prometheus.GaugeValue, flag(ok))
		out <- prometheus.MustNewConstMetric(reloadTime, prometheus.GaugeValue, float64(at.UnixMilli())/1000)
	}
	if c.o.Ledger != nil {
		collectLedger(out, c.o.Ledger())
	}
	if c.o.Sources == nil {
		return
	}
	counts := c.o.Sources()
	for _, m := range ofBench {
		out <- prometheus.MustNewConstMetric(m.desc, prometheus.CounterValue, float64(m.value(counts)))
	}
}

func collectStation(out chan<- prometheus.Metric, s *bench.Snapshot) {
	for _, m := range bench.Modes() {
		out <- prometheus.MustNewConstMetric(mode, prometheus.GaugeValue, flag(modeOf(s) == m), s.Station, string(m))
	}
	for _, m := range ofStation {
		if v, ok := m.value(s).Get(); ok {
			out <- prometheus.MustNewConstMetric(m.desc, m.kind, v, s.Station)
		}
	}
}

// modeOf is the mode, unknown for a station that has not said anything yet.
func modeOf(s *bench.Snapshot) bench.Mode {
	if s.Mode == "" {
		return bench.Unknown
	}
	return s.Mode
}
