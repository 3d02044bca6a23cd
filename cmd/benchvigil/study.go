package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newStudy() *cobra.Command {
	var o app.StudyOptions
	c := &cobra.Command{
		Use:   "study",
		Short: "Measure how far the conclusions can be trusted, on invented stations",
		Long: "study makes up stations whose true story it knows, lets the watch draw its conclusions from\n" +
			"what their instruments would have shown, and prints how often and how late it was right.",
		Example: "  benchvigil study --hours 200 --seeds tune --worst 20\n" +
			"  benchvigil study --dump 'restore:tune:3' > job.jsonl",
		Hidden: true,
		Args:   exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			if o.Hours <= 0 {
				return fmt.Errorf("--hours %g: want more than none: %w", o.Hours, errUsage)
			}
			o.Out, o.Warn = c.OutOrStdout(), c.ErrOrStderr()
			return app.Study(o)
		},
	}
	f := c.Flags()
	f.Float64Var(&o.Hours, "hours", 5000, "station-hours over all scenarios")
	f.StringVar(&o.Seeds, "seeds", "report", "`set` of seeds: tune, or report, on which nothing is tuned")
	f.StringVar(&o.Scenario, "scenario", "", "only this one (`name`)")
	f.IntVar(&o.Worst, "worst", 0, "list so many of the worst cases")
	f.StringVar(&o.FirstCut, "first-cut", "", "compare with the result in this `file`")
	f.StringVar(&o.JSON, "json", "", "write the result into this `file`")
	f.StringVar(&o.Of, "of", "", "what is studied, noted in that file")
	f.StringVar(&o.Write, "write", "", "put the table between its marker lines in this `file`")
	f.StringVar(&o.Dump, "dump", "", "write the recording of this `job` instead, as --worst names it")
	return c
}
