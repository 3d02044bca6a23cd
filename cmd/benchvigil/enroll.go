package main

import (
	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newEnroll() *cobra.Command {
	var o app.EnrollOptions
	c := &cobra.Command{
		Use:   "enroll",
		Short: "Enter a station into the configuration, question by question",
		Long: "enroll finds the port of a station by its cable (unplug it and plug it in), the supply and\n" +
			"the query that it answers, and the profile that fits; it shows live readings and writes the\n" +
			"station into the configuration, which is made where there is none. Comments stay; the file\n" +
			"before is kept beside it as .bak. Nothing is sent to the device on the port. Each answer can\n" +
			"be given by a flag.",
		Example: "  benchvigil enroll --config config.yaml\n" +
			"  benchvigil enroll --station left-1 --supply tcp://192.0.2.10:5025\n" +
			"  benchvigil enroll --station left-1 --port 1-2 --supply none --profile invented-handset --yes",
		Args: exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			o.In, o.Out, o.VBUSGiven = c.InOrStdin(), c.OutOrStdout(), c.Flags().Changed("vbus")
			return app.Enroll(c.Context(), o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.Config, "config", defaultConfig, "configuration `file`")
	f.StringVar(&o.Bench, "bench", "", "`name` of the bench, for a new file")
	f.StringVar(&o.Station, "station", "", "short name (`id`) of the station, a new one or one that is there")
	f.StringVar(&o.Name, "name", "", "`name` that people call it")
	f.StringVar(&o.Port, "port", "", "USB port `path`, or none; default the port whose cable is plugged in, with --yes the only one with a device that no station has")
	f.StringVar(&o.Supply, "supply", "", "`address` of the supply, like tcp://192.0.2.10:5025, or none")
	f.StringVar(&o.Profile, "profile", "", "`name` of the device family")
	f.BoolVar(&o.VBUS, "vbus", false, "USB bus power feeds the board too; --vbus=false says that it does not")
	f.BoolVar(&o.Yes, "yes", false, "take what is proposed and write without asking")
	offerFlag(c, "station", func(*cobra.Command, []string) []string { return app.OfferConfigured(o.Config) })
	offerFlag(c, "profile", func(*cobra.Command, []string) []string { return app.OfferProfiles(o.Config) })
	f.StringVar(&o.Root, "root", "/", "`folder` that stands for / when instruments are looked for")
	if err := f.MarkHidden("root"); err != nil {
		panic(err) // the flag is there
	}
	return c
}
