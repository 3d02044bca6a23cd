package infer_test

import (
	"testing"

	"benchvigil/internal/bench"
)

// A drop that turns out to be somebody's doing stays counted, and is counted
// once more as such, however often they say so.
func TestReclassifiedIsCounted(t *testing.T) {
	s := newStory(t, handset(t))
	s.tell("station\nread 3.8 0 1s\nread 3.8 0.5 20s\nread 3.8 0 3s\nmark mine kim\nmark mine kim\nread 3.8 0 1s")
	var v bench.Snapshot
	s.e.View(s.now, &v)
	if v.Counts.Drops != 1 || v.Counts.Reclassified != 1 || v.LastRun.EndedAs != bench.RunStopped {
		t.Errorf("%+v, ended as %s", v.Counts, v.LastRun.EndedAs)
	}
}
