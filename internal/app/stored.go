package app

import "benchvigil/internal/metrics"

// stored tells the metrics of the ledger; nil where none is kept.
func (r *record) stored() func() metrics.Ledger {
	if r.store == nil {
		return nil
	}
	return func() metrics.Ledger {
		c, sizes := r.store.Counts(), r.store.Sizes()
		out := metrics.Ledger{
			Commits: c.Commits, FailedCommits: c.Failed, Events: c.Events, Readings: c.Readings, Blocks: c.Blocks,
			DroppedReadings: c.DroppedPoints, DroppedFacts: c.DroppedFacts, DroppedEvents: c.DroppedEvents, RetiredBlocks: c.RetiredBlocks,
			StoredBytes: sizes.Stored, WaitingBytes: sizes.Waiting,
		}
		if trouble := r.store.Trouble(); trouble != nil {
			out.TroubleSince = trouble.Since
		}
		return out
	}
}
