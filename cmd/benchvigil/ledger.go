package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

// dataFlag is the folder of the ledger.
func dataFlag(c *cobra.Command, target *string) {
	c.Flags().StringVar(target, "data", "", "`folder` of the ledger, as run --data names it; default of an installed benchvigil: the service's")
}

// needData fills in the folder of the service, or refuses a command line
// without one.
func needData(c *cobra.Command, data *string) error {
	if *data = app.DataFolder(*data); *data == "" {
		return misused(c, "--data is missing, the folder of the ledger")
	}
	return nil
}

func newLedger() *cobra.Command {
	c := &cobra.Command{
		Use:   "ledger",
		Short: "Look after the ledger",
		Long: "ledger looks after the store that run --data writes: what was observed, what was concluded,\n" +
			"and what is kept of the readings.",
		Example: "  benchvigil ledger check --data /var/lib/benchvigil",
		Args:    exactly(),
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(
		ledgerCommand("check", "Say what cannot be read", "check reads everything in the ledger, also while a watch writes to it, and names what cannot\n"+
			"be read. It exits 6 where there is anything.", app.CheckLedger),
		ledgerCommand("rebuild", "Make runs and watches again from the events", "rebuild makes the runs and watches that history lists again from the events and marks. No\n"+
			"watch may be using the ledger.", app.RebuildLedger),
		ledgerCommand("vacuum", "Give the room of deleted traces back", "vacuum gives the room of deleted traces back to the disk. It needs as much free room as the\n"+
			"ledger takes, and no watch may be using it.", app.VacuumLedger),
	)
	return c
}

func ledgerCommand(name, short, long string, do func(context.Context, app.DataOptions) error) *cobra.Command {
	var o app.DataOptions
	var logs logOptions
	c := &cobra.Command{
		Use: name, Short: short, Long: long,
		Example: "  benchvigil ledger " + name + " --data /var/lib/benchvigil",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			if err := ledgerOptions(c, &o, logs); err != nil {
				return err
			}
			return do(c.Context(), o)
		},
	}
	dataFlag(c, &o.Data)
	logs.flags(c)
	return c
}

func ledgerOptions(c *cobra.Command, o *app.DataOptions, logs logOptions) (err error) {
	if err := needData(c, &o.Data); err != nil {
		return err
	}
	o.Out = c.OutOrStdout()
	o.Logger, err = logs.logger(c.ErrOrStderr())
	return err
}

func newBackup() *cobra.Command {
	var o app.DataOptions
	c := &cobra.Command{
		Use:   "backup FILE",
		Short: "Copy the ledger into a new file, also while it is written to",
		Long: "backup copies the ledger as it is at one moment into a new file, also while a watch writes\n" +
			"to it. restore puts it back.",
		Example: "  benchvigil backup --data /var/lib/benchvigil /media/stick/bench.db",
		Args:    exactly("FILE"),
		RunE: func(c *cobra.Command, args []string) error {
			if err := needData(c, &o.Data); err != nil {
				return err
			}
			o.Out = c.OutOrStdout()
			return app.BackUp(c.Context(), o, args[0])
		},
	}
	dataFlag(c, &o.Data)
	return c
}

func newRestore() *cobra.Command {
	var o app.DataOptions
	c := &cobra.Command{
		Use:   "restore FILE",
		Short: "Put a backup in the place of the ledger",
		Long: "restore puts a backup in the place of the ledger, which no watch may be using. The ledger\n" +
			"that was there stays beside it under another name. A backup with any fault is refused.",
		Example: "  benchvigil restore --data /var/lib/benchvigil /media/stick/bench.db",
		Args:    exactly("FILE"),
		RunE: func(c *cobra.Command, args []string) error {
			if err := needData(c, &o.Data); err != nil {
				return err
			}
			o.Out = c.OutOrStdout()
			return app.Restore(c.Context(), o, args[0])
		},
	}
	dataFlag(c, &o.Data)
	return c
}

func newHistory() *cobra.Command {
	var o app.HistoryOptions
	var from, to string
	var asJSON, asCSV bool
	c := &cobra.Command{
		Use:   "history",
		Short: "List runs and watches of the past",
		Long: "history lists the runs and watches in the ledger that touch an interval, by when they began.\n" +
			"The outcome of a run is running, dropped, stopped or unseen (nobody saw its end), of a watch\n" +
			"armed, done or failed.\n\n" + momentsHelp,
		Example: "  benchvigil history --data /var/lib/benchvigil\n" +
			"  benchvigil history --data /var/lib/benchvigil --station left-1 --from 24h --outcome dropped\n" +
			"  benchvigil history --data /var/lib/benchvigil --csv > runs.csv",
		Args: exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			if err := needData(c, &o.Data); err != nil {
				return err
			}
			if asJSON && asCSV {
				return misused(c, "choose --json or --csv")
			}
			var err error
			if o.From, o.To, err = moments(c, from, to); err != nil {
				return err
			}
			switch {
			case asJSON:
				o.Form = app.HistoryJSON
			case asCSV:
				o.Form = app.HistoryCSV
			}
			o.Out = c.OutOrStdout()
			return app.History(c.Context(), o)
		},
	}
	dataFlag(c, &o.Data)
	momentFlags(c, &from, &to)
	c.Flags().StringVar(&o.Station, "station", "", "only this station (`id`)")
	c.Flags().StringVar(&o.Outcome, "outcome", "", "only what ended like this (`word`)")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON, one object a line")
	c.Flags().BoolVar(&asCSV, "csv", false, "print CSV with a head")
	return c
}

// momentsHelp says how moments are written.
const momentsHelp = "Moments are written as 2026-03-02T21:14:05Z, as \"2026-03-02 21:14\" or 2026-03-02 in local time,\n" +
	"or as how long ago, such as 90m or 24h."

func momentFlags(c *cobra.Command, from, to *string) {
	c.Flags().StringVar(from, "from", "", "from this `moment` on")
	c.Flags().StringVar(to, "to", "", "up to this `moment`")
}

func moments(c *cobra.Command, from, to string) (f, t time.Time, err error) {
	now := time.Now()
	if f, err = parseMoment(from, now); err != nil {
		return f, t, misused(c, "--from %q is no moment: write 2026-03-02T21:14:05Z, \"2026-03-02 21:14\" or 90m for ago", from)
	}
	if t, err = parseMoment(to, now); err != nil {
		return f, t, misused(c, "--to %q is no moment: write 2026-03-02T21:14:05Z, \"2026-03-02 21:14\" or 90m for ago", to)
	}
	if !t.IsZero() && t.Before(f) {
		return f, t, misused(c, "--to lies before --from")
	}
	return f, t, nil
}

// parseMoment reads a moment as people write it; nothing is the zero time.
func parseMoment(text string, now time.Time) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if d, err := time.ParseDuration(text); err == nil {
		return now.Add(-d), nil
	}
	for _, layout := range []string{time.DateTime, "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, text, now.Location()); err == nil {
			return t, nil
		}
	}
	return time.Parse(time.RFC3339, text)
}
