package main

import (
	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newTraceExport() *cobra.Command {
	var o app.ExportOptions
	var from, to string
	c := &cobra.Command{
		Use:   "export",
		Short: "Print readings of the past as CSV",
		Long: "export prints the readings of a station out of the ledger as CSV: time, volts and amperes, an\n" +
			"empty field where one was not known. --seconds prints the least, mean and greatest of each\n" +
			"second instead.\n\n" + momentsHelp,
		Example: "  benchvigil trace export --data /var/lib/benchvigil --station left-1 --from 3h > left-1.csv\n" +
			"  benchvigil trace export --data /var/lib/benchvigil --station left-1 --seconds --from 2026-03-02",
		Args: exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			if err := needData(c, &o.Data); err != nil {
				return err
			}
			if o.Station == "" {
				return misused(c, "--station is missing")
			}
			var err error
			if o.From, o.To, err = moments(c, from, to); err != nil {
				return err
			}
			o.Out, o.Say = c.OutOrStdout(), c.ErrOrStderr()
			return app.ExportReadings(c.Context(), o)
		},
	}
	dataFlag(c, &o.Data)
	momentFlags(c, &from, &to)
	c.Flags().StringVar(&o.Station, "station", "", "of this station (`id`)")
	c.Flags().StringVar(&o.Channel, "channel", "", "of this meter, such as vbus; default the board's supply (`name`)")
	c.Flags().BoolVar(&o.Seconds, "seconds", false, "least, mean and greatest of each second")
	return c
}
