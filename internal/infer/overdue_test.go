package infer_test

import (
	"testing"

	"benchvigil/internal/bench"
)

// A device that is gone while the current flows on is missed, unless something
// explains it.
func TestOverdue(t *testing.T) {
	const runs = "station\nread 3.8 0 1s\nread 3.8 0.5 20s\nadd 4\nread 3.8 0.4 30s\n"
	const restores = "station\nread 3.8 0 1s\nread 3.8 0.5 20s\nadd 3\nread 3.8 0.5 30s\n"
	for _, tc := range []struct {
		name, story string
		mode        bench.Mode
		want        bool
	}{
		{"there", runs, bench.Running, false},
		{"gone a moment", runs + "remove\nread 3.8 0.4 4s", bench.Running, false},
		{"cable out", runs + "remove\nread 3.8 0.4 8s", bench.Running, true},
		{"back", runs + "remove\nread 3.8 0.4 8s\nadd 4\nread 3.8 0.4 1s", bench.Running, false},
		{"no readings", runs + "remove\nread 3.8 0.4 8s\nquiet 10s", bench.Running, false},
		{"gone and drawing another current", runs + "remove\nread 3.8 0.7 15s", bench.Starting, false},
		{"no start any more", runs + "remove\nread 3.8 0.7 65s", bench.RePairing, true},
		{"somebody saw that it is so", runs + "remove\nread 3.8 0.7 65s\nmark screen kim repair prompt\nquiet 200ms", bench.RePairing, false},
		{"dropped", runs + "remove\nread 3.8 0 8s", bench.Off, false},
		{"a restart in a restore", restores + "remove\nread 3.8 0.5 50s", bench.Restoring, false},
		{"no restart any more", restores + "remove\nread 3.8 0.5 150s", bench.RePairing, true},
		{"never there", "station\nread 3.8 0 1s\nread 3.8 0.5 90s", bench.Starting, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newStory(t, handset(t))
			s.tell(tc.story)
			var v bench.Snapshot
			s.e.View(s.now, &v)
			if v.Mode != tc.mode || v.USB.Overdue != tc.want {
				t.Errorf("%s, overdue %v; want %s, %v", v.Mode, v.USB.Overdue, tc.mode, tc.want)
			}
			if v.USB.Present != v.USB.Gone.IsZero() && tc.name != "never there" {
				t.Error("gone at no time")
			}
		})
	}
}
