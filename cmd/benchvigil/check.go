package main

import (
	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newCheck() *cobra.Command {
	var o app.CheckOptions
	c := &cobra.Command{
		Use:   "check",
		Short: "Look whether the bench can be watched through a long job",
		Long: "check looks at the configuration, the USB bus, each port and supply, and at what this\n" +
			"computer may do in the night: fill its disk, go to sleep, restart after updates. It says\n" +
			"what to do about each thing that is not as it should be, and changes nothing.",
		Example: "  benchvigil check\n  benchvigil check --config config.yaml --data /var/lib/benchvigil\n  benchvigil check --json",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			o.Out = c.OutOrStdout()
			return app.Check(c.Context(), o)
		},
	}
	c.Flags().StringVar(&o.Config, "config", defaultConfig, "configuration `file`")
	c.Flags().StringVar(&o.Folder, "data", "", "`folder` that the record goes to; default where a benchvigil that runs writes, else the service's, else this one")
	c.Flags().BoolVar(&o.JSON, "json", false, "print JSON")
	c.Flags().StringVar(&o.Root, "root", "/", "`folder` that stands for / when the computer is looked at")
	if err := c.Flags().MarkHidden("root"); err != nil {
		panic(err) // the flag is there
	}
	return c
}
