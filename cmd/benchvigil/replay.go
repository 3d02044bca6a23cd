package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newReplay() *cobra.Command {
	var o app.ReplayOptions
	c := &cobra.Command{
		Use:   "replay RECORDING",
		Short: "Draw the conclusions of a recording again",
		Long: "replay reads a recording (JSON Lines, plain or zstd; - is standard input) and prints the\n" +
			"events that it gives, one CloudEvent a line, and nothing else, on standard output.",
		Example: "  benchvigil replay --profile invented-handset watch.jsonl\n  zcat old.jsonl.gz | benchvigil replay --profile p.yaml --station s1 -",
		Args:    exactly("RECORDING"),
		RunE: func(c *cobra.Command, args []string) error {
			if o.Profile == "" {
				return fmt.Errorf("replay needs --profile, the file or name of the one that says how the family shows itself: %w", errUsage)
			}
			if o.Window < 0 {
				return fmt.Errorf("--window %v: want a length of time above zero: %w", o.Window, errUsage)
			}
			o.Recording, o.Stdin, o.Out, o.Warn = args[0], c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr()
			return app.Replay(o)
		},
	}
	c.Flags().StringVar(&o.Profile, "profile", "", "`file` of the profile, or the name of one that the configuration knows or that is shipped")
	offerFamilies(c)
	c.Flags().StringVar(&o.Station, "station", "", "only this station (`id`)")
	c.Flags().StringVar(&o.Goal, "goal", "", "`goal` that is armed on every station from its beginning, such as \"stay 3h\"")
	c.Flags().StringVar(&o.LearnFrom, "learn-from", "", "`file` of events, or folder of the ledger, of earlier watches: how long restores took and stood still in them")
	c.Flags().DurationVar(&o.Window, "window", 0, "how long the boards must stay up; default the profile's")
	return c
}
