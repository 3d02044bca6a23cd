package app

import (
	"context"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
)

// WatchesOptions say whose goals to list.
type WatchesOptions struct {
	URL string
	Out io.Writer
}

// ListWatches prints the goal of each station of a running daemon: the one that
// is armed, or how the last one ended.
func ListWatches(ctx context.Context, o WatchesOptions) error {
	c, err := newClient(o.URL)
	if err != nil {
		return err
	}
	stations, _, err := c.stations(ctx)
	if err != nil {
		return err
	}
	t := tabwriter.NewWriter(o.Out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "STATION\tNAME\tMODE\tGOAL\tBY\tSTATE") //nolint:errcheck // Flush tells
	for _, s := range stations {
		goal, by, state := watchWords(s)
		fmt.Fprintln(t, strings.Join([]string{s.Station, s.Name, s.Label, goal, by, state}, "\t")) //nolint:errcheck // Flush tells
	}
	return t.Flush()
}

func watchWords(s api.Status) (goal, by, state string) {
	switch {
	case s.Watch != nil:
		return s.Watch.Goal, orNobody(s.Watch.By), waitWords(s)
	case s.LastWatch != nil:
		return s.LastWatch.Goal, orNobody(s.LastWatch.By), endWords(s.LastWatch)
	}
	if s.Forgotten != nil {
		return s.Forgotten.Goal, orNobody(s.Forgotten.By), forgottenWords(s.Forgotten)
	}
	return "-", "-", "nothing is armed"
}

// forgottenWords says that nobody waits for a goal any more.
func forgottenWords(w *api.Watch) string {
	return "was armed before the restart, at " + w.Armed.Local().Format(time.TimeOnly) + ": arm it again, or disarm to put it away"
}

// waitWords says how far an armed goal is.
func waitWords(s api.Status) string {
	w := s.Watch
	switch {
	case w.From.IsZero() && s.Run == nil:
		return "waiting for a run"
	case w.From.IsZero():
		return "waiting for the end of the start"
	case w.TakesS == 0:
		return "armed for " + clock(s.At.Sub(w.Armed).Seconds())
	}
	return progress(s.At.Sub(w.From).Seconds(), w.TakesS)
}

func endWords(w *api.Watch) string {
	what := "done"
	switch {
	case w.EndedAs == bench.WatchDone:
	case w.Kind == bench.WatchStopped:
		what = "ended"
	default:
		what = "failed"
	}
	return fmt.Sprintf("%s at %s: %s", what, w.Ended.Local().Format(time.TimeOnly), w.Why)
}

func orNobody(by string) string {
	if by == "" {
		return "-"
	}
	return by
}
