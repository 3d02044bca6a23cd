// Package metrics owns how the bench looks to Prometheus: the names, types and
// labels of its metrics. It holds no numbers of its own: a Collector reads the
// snapshots at each scrape, so a metric can never disagree with the page. It
// must not know where the snapshots come from, and starts nothing.
//
// A metric whose value is not known is absent; it is never 0 for that reason.
// Every metric of a station has the label station, which is the station's ID.
package metrics
