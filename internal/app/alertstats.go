package app

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// StatsOptions say over which days alarm load is measured.
type StatsOptions struct {
	AlertsOptions
	Days int
	Data string // folder of the ledger; empty: the running daemon is asked
	// Load measures a ledger that nobody needs to be writing.
	Load func(ctx context.Context, data string, from, to time.Time) (any, error)
}

// mostDays is the longest time that alarm load is measured over.
const mostDays = 366

// ShowLoad prints the measures of alarm load.
func ShowLoad(ctx context.Context, o StatsOptions) error {
	if o.Days < 1 || o.Days > mostDays {
		return fmt.Errorf("%w: --days %d: want 1 to %d", ErrCommand, o.Days, mostDays)
	}
	load, err := o.load(ctx)
	if err != nil {
		return err
	}
	if o.JSON {
		_, err := fmt.Fprintf(o.Out, "%s\n", load)
		return err
	}
	return loadTable(o.Out, load)
}

// load is what was measured, as JSON.
func (o StatsOptions) load(ctx context.Context) (json.RawMessage, error) {
	if o.Data != "" && o.Load != nil {
		to := time.Now()
		load, err := o.Load(ctx, o.Data, to.AddDate(0, 0, -o.Days), to)
		if err != nil {
			return nil, err
		}
		return json.Marshal(load)
	}
	c, err := newClient(o.URL)
	if err != nil {
		return nil, err
	}
	var load json.RawMessage
	err = c.get(ctx, fmt.Sprintf("/api/v1/alerts/load?days=%d", o.Days), &load)
	return load, err
}

// loadTable prints measures one a line, whichever there are; what is a list of
// its own follows.
func loadTable(w io.Writer, load json.RawMessage) error {
	var all any
	if err := json.Unmarshal(load, &all); err != nil {
		return fmt.Errorf("read the measures: %w", err)
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	measures(t, "", all)
	return t.Flush()
}

func measures(w io.Writer, name string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for _, key := range slices.Sorted(maps.Keys(v)) {
			measures(w, strings.TrimSpace(name+" "+strings.ReplaceAll(key, "_", " ")), v[key])
		}
	case []any:
		for i, entry := range v {
			measures(w, fmt.Sprintf("%s %d", name, i+1), entry)
		}
	case nil:
	case float64:
		fmt.Fprintf(w, "%s\t%.6g\n", name, v) //nolint:errcheck // Flush tells
	default:
		fmt.Fprintf(w, "%s\t%v\n", name, v) //nolint:errcheck // Flush tells
	}
}
