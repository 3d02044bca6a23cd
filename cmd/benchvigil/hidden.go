package main

import (
	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

// newScan is the child by which run enumerates USB; it is also of use by hand.
func newScan() *cobra.Command {
	return &cobra.Command{
		Use:     app.ScanCommand,
		Short:   "List USB devices as JSON, without opening any",
		Example: "  benchvigil usb-scan",
		Hidden:  true,
		Args:    exactly(),
		RunE:    func(c *cobra.Command, _ []string) error { return app.USBScan(c.Context(), c.OutOrStdout()) },
	}
}

// newSim serves simulated supplies for measurements of run.
func newSim() *cobra.Command {
	var o app.SimOptions
	c := &cobra.Command{
		Use:     "sim",
		Short:   "Serve simulated supplies and print a configuration that watches them",
		Example: "  benchvigil sim --stations 8 > sim.yaml",
		Hidden:  true,
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			o.Out = c.OutOrStdout()
			return app.Sim(c.Context(), o)
		},
	}
	c.Flags().IntVar(&o.Stations, "stations", 40, "how many stations")
	c.Flags().StringVar(&o.Listen, "page", "127.0.0.1:8421", "`address` of the page in the configuration")
	c.Flags().StringVar(&o.Profiles, "profiles", "configs/profiles", "`folder` of profiles in the configuration")
	return c
}
