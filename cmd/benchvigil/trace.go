package main

import (
	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newTrace() *cobra.Command {
	c := &cobra.Command{
		Use:   "trace",
		Short: "Cut starts into steps of current and compare them with known ones",
		Long: "trace looks at starts in a recording: the current of the board from power-up until it is up,\n" +
			"at most a minute, cut into steps as one would write them down by hand. A start that is\n" +
			"known to be good, or to show a certain fault, is saved as a reference of its profile;\n" +
			"others are compared with those. A comparison says what a start looks like, not what is\n" +
			"wrong with the board.",
		Example: "  benchvigil trace show --profile profiles/mine.yaml watch.jsonl\n" +
			"  benchvigil trace save --profile profiles/mine.yaml --run 1 --as \"known good\" watch.jsonl\n" +
			"  benchvigil trace compare --profile profiles/mine.yaml --run 2 watch.jsonl",
		Args: exactly(),
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newTraceShow(), newTraceSave(), newTraceCompare(), newTraceExport())
	return c
}

// traceFlags are those of every command that looks at starts.
func traceFlags(c *cobra.Command, o *app.TraceOptions) {
	c.Flags().StringVar(&o.Profile, "profile", "", "`file` of the profile, or the name of one that the configuration knows or that is shipped")
	offerFamilies(c)
	c.Flags().StringVar(&o.Station, "station", "", "only this station (`id`)")
	c.Flags().IntVar(&o.Run, "run", 0, "only this start of a station (`number`, as trace show lists them)")
}

// traceInput completes the options with the recording and the streams.
func traceInput(c *cobra.Command, o *app.TraceOptions, args []string) error {
	switch {
	case o.Profile == "":
		return misused(c, "--profile is missing, the file or name of the one that says how the family shows itself")
	case c.Flags().Changed("run") && o.Run < 1:
		return misused(c, "--run %d: starts are numbered from 1", o.Run)
	}
	o.Recording, o.Stdin, o.Out, o.Warn = args[0], c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr()
	return nil
}

func newTraceShow() *cobra.Command {
	var o app.TraceOptions
	c := &cobra.Command{
		Use:   "show RECORDING",
		Short: "Print the steps of each start",
		Long: "show prints the starts in a recording and the steps of each: from when after power-up, for\n" +
			"how long, at which level, and how much the current varied (half the distance from the 5th\n" +
			"to the 95th percentile). A step has at least 0.3 s and two readings; levels that differ by\n" +
			"about 15 % or less, or 3 mA near zero, are one step.",
		Example: "  benchvigil trace show --profile profiles/mine.yaml watch.jsonl\n  benchvigil trace show --profile profiles/mine.yaml --station left-1 --json watch.jsonl",
		Args:    exactly("RECORDING"),
		RunE: func(c *cobra.Command, args []string) error {
			if err := traceInput(c, &o, args); err != nil {
				return err
			}
			return app.ShowTraces(o)
		},
	}
	traceFlags(c, &o)
	c.Flags().BoolVar(&o.JSON, "json", false, "print JSON for programs")
	return c
}

// referencesUsage says where references lie.
const referencesUsage = "`folder` of the references; default traces/NAME-OF-PROFILE beside the profile's file"

func newTraceSave() *cobra.Command {
	var o app.TraceSaveOptions
	var good, fault string
	c := &cobra.Command{
		Use:   "save RECORDING",
		Short: "Save a start as a reference",
		Long: "save writes one start as a reference of the profile, a small JSON file: as good, under a\n" +
			"name that you choose (--as), or as what a certain fault looks like (--fault). It writes\n" +
			"over nothing: a second reference of the same name gets a number. To forget one, delete\n" +
			"its file.",
		Example: "  benchvigil trace save --profile profiles/mine.yaml --run 1 --as \"known good\" watch.jsonl\n" +
			"  benchvigil trace save --profile profiles/mine.yaml --station left-1 --run 3 --fault \"no main rail\" watch.jsonl",
		Args: exactly("RECORDING"),
		RunE: func(c *cobra.Command, args []string) error {
			if (good == "") == (fault == "") {
				return misused(c, "say what it is, either --as \"known good\" or --fault \"what is at fault\"")
			}
			o.Name, o.Fault = good+fault, fault != ""
			if err := traceInput(c, &o.TraceOptions, args); err != nil {
				return err
			}
			return app.SaveTrace(o)
		},
	}
	traceFlags(c, &o.TraceOptions)
	c.Flags().StringVar(&good, "as", "", "a good start, under this `name`")
	c.Flags().StringVar(&fault, "fault", "", "a start with this fault (`name`)")
	c.Flags().StringVar(&o.References, "references", "", referencesUsage)
	return c
}

func newTraceCompare() *cobra.Command {
	var o app.TraceCompareOptions
	c := &cobra.Command{
		Use:   "compare RECORDING",
		Short: "Say which known starts are nearest",
		Long: "compare lines each start up with the references of the profile, stretching time by up to\n" +
			"two seconds or 15 %, and names the nearest with their distance: the mean difference in amperes.\n" +
			"They part where their steps differ for a second, by more than the levels swing. What is\n" +
			"nearest need not be near: look where they part.",
		Example: "  benchvigil trace compare --profile profiles/mine.yaml watch.jsonl\n" +
			"  benchvigil trace compare --profile profiles/mine.yaml --station left-1 --run 2 --references bench/traces watch.jsonl",
		Args: exactly("RECORDING"),
		RunE: func(c *cobra.Command, args []string) error {
			if err := traceInput(c, &o.TraceOptions, args); err != nil {
				return err
			}
			return app.CompareTraces(o)
		},
	}
	traceFlags(c, &o.TraceOptions)
	c.Flags().StringVar(&o.References, "references", "", referencesUsage)
	c.Flags().BoolVar(&o.JSON, "json", false, "print JSON for programs")
	return c
}
