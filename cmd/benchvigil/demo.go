package main

import (
	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newDemo() *cobra.Command {
	o := app.DemoOptions{Listen: "127.0.0.1:8420"}
	var logs logOptions
	var canned bool
	c := &cobra.Command{
		Use:   "demo",
		Short: "Show a simulated bench",
		Long: "demo plays invented boards and watches them in earnest: the readings come from simulated\n" +
			"supplies by SCPI over TCP, the devices from a simulated USB bus. Nothing real is touched.",
		Example: "  benchvigil demo\n  benchvigil demo --speed 1 --data /tmp/demo",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			log, err := logs.logger(c.ErrOrStderr())
			if err != nil {
				return err
			}
			o.Out, o.Logger, o.Version = c.OutOrStdout(), log, version()
			o.Fallback = !c.Flags().Changed("listen")
			if canned {
				if !c.Flags().Changed("stations") {
					o.Stations = 0
				}
				return app.ShowStates(c.Context(), o)
			}
			return app.Demo(c.Context(), o)
		},
	}
	c.Flags().IntVar(&o.Stations, "stations", 6, "how many stations")
	c.Flags().Float64Var(&o.Speed, "speed", 10, "how many times as fast time runs")
	c.Flags().StringVar(&o.Data, "data", "", "keep ledger, events and observations in this `folder`; without it the ledger is kept for the length of the demo only")
	c.Flags().StringVar(&o.Listen, "listen", o.Listen, "loopback `address` of the page; a free one is taken when the usual one is not free")
	c.Flags().BoolVar(&o.Once, "once", false, "play each story once, not over and over")
	c.Flags().BoolVar(&canned, "states", false, "show every state from canned data instead, one station each, for reviewing the pages")
	logs.flags(c)
	return c
}
