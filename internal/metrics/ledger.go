package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"benchvigil/internal/unit"
)

// Ledger is what the store of the bench says of itself. Totals count from its
// opening.
type Ledger struct {
	Commits, FailedCommits                       uint64
	Events, Readings, Blocks                     uint64
	DroppedReadings, DroppedFacts, DroppedEvents uint64
	RetiredBlocks                                uint64

	TroubleSince time.Time // zero: it can be written
	StoredBytes  int64     // 0: not measured yet
	WaitingBytes int64
}

// ledgerMetric is one metric of the store. An unknown value leaves the metric
// out.
type ledgerMetric struct {
	desc  *prometheus.Desc
	kind  prometheus.ValueType
	value func(*Ledger) unit.Maybe[float64]
}

var ofLedger = []ledgerMetric{
	ledgerCounter("commits_total", "Transactions written to the ledger and synced.", func(l *Ledger) uint64 { return l.Commits }),
	ledgerCounter("commit_failures_total", "Transactions that could not be written to the ledger; what was in them is tried again.", func(l *Ledger) uint64 { return l.FailedCommits }),
	ledgerCounter("events_total", "Events written to the ledger.", func(l *Ledger) uint64 { return l.Events }),
	ledgerCounter("readings_total", "Readings, traffic counts and temperatures taken for the ledger.", func(l *Ledger) uint64 { return l.Readings }),
	ledgerCounter("blocks_total", "Blocks of readings packed, each about a minute of one channel.", func(l *Ledger) uint64 { return l.Blocks }),
	ledgerCounter("dropped_readings_total", "Readings, traffic counts and temperatures lost, because they could not be written for too long or not be read again.", func(l *Ledger) uint64 { return l.DroppedReadings }),
	ledgerCounter("dropped_facts_total", "Other observations lost, because they could not be written for too long.", func(l *Ledger) uint64 { return l.DroppedFacts }),
	ledgerCounter("dropped_events_total", "Events lost, because they could not be written for too long.", func(l *Ledger) uint64 { return l.DroppedEvents }),
	ledgerCounter("retired_blocks_total", "Blocks of readings deleted by age or size.", func(l *Ledger) uint64 { return l.RetiredBlocks }),
	ledgerGauge("trouble", "Whether the ledger cannot be written, so that what happens is kept in memory only.", func(l *Ledger) unit.Maybe[float64] {
		return unit.Some(flag(!l.TroubleSince.IsZero()))
	}),
	ledgerGauge("trouble_time_seconds", "Since when the ledger cannot be written, in seconds since 1970; absent while it can.", func(l *Ledger) unit.Maybe[float64] {
		return known(!l.TroubleSince.IsZero(), float64(l.TroubleSince.UnixMilli())/1000)
	}),
	ledgerGauge("size_bytes", "What the ledger takes on the disk, room of deleted readings not counted; measured once a minute, absent before.", func(l *Ledger) unit.Maybe[float64] {
		return known(l.StoredBytes > 0, float64(l.StoredBytes))
	}),
	ledgerGauge("waiting_bytes", "Packed observations in memory that are not in the ledger yet.", func(l *Ledger) unit.Maybe[float64] {
		return unit.Some(float64(l.WaitingBytes))
	}),
}

func ledgerGauge(name, help string, value func(*Ledger) unit.Maybe[float64]) ledgerMetric {
	return ledgerMetric{benchDesc("ledger_"+name, help), prometheus.GaugeValue, value}
}

func ledgerCounter(name, help string, value func(*Ledger) uint64) ledgerMetric {
	return ledgerMetric{benchDesc("ledger_"+name, help), prometheus.CounterValue, func(l *Ledger) unit.Maybe[float64] {
		return unit.Some(float64(value(l)))
	}}
}

// known is a value where there is one.
func known(is bool, v float64) (out unit.Maybe[float64]) {
	if is {
		out = unit.Some(v)
	}
	return out
}

func collectLedger(out chan<- prometheus.Metric, l Ledger) {
	for _, m := range ofLedger {
		if v, ok := m.value(&l).Get(); ok {
			out <- prometheus.MustNewConstMetric(m.desc, m.kind, v)
		}
	}
}
