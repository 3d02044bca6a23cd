package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newProfile() *cobra.Command {
	c := &cobra.Command{
		Use:     "profile",
		Short:   "Check device families and learn them from recordings",
		Example: "  benchvigil profile check profiles/*.yaml\n  benchvigil profile learn --profile profiles/family-18d1.yaml watch.jsonl",
		Args:    exactly(),
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newProfileCheck(), newProfileLearn())
	return c
}

func newProfileCheck() *cobra.Command {
	return &cobra.Command{
		Use:   "check FILE...",
		Short: "Say what is wrong or doubtful in profiles",
		Long: "check reads profiles and says what is wrong, with line and column, and what is allowed but\n" +
			"doubtful (hints): bands that overlap where no identity tells the modes apart, a mode that\n" +
			"nothing can show, a window shorter than a start, more from USB power than a port may give.\n" +
			"Hints leave the exit code at 0.",
		Example: "  benchvigil profile check profiles/*.yaml",
		Args:    atLeastOne("FILE"),
		RunE: func(c *cobra.Command, args []string) error {
			return app.CheckProfiles(app.ProfileCheckOptions{Files: args, Out: c.OutOrStdout()})
		},
	}
}

func newProfileLearn() *cobra.Command {
	var o app.ProfileLearnOptions
	c := &cobra.Command{
		Use:   "learn RECORDING...",
		Short: "Learn bands and times from your own recordings",
		Long: "learn follows recordings with the profile as it is, your marks included, and shows what the\n" +
			"profile's values would become and from how much evidence. Bands and traffic are the 5th\n" +
			"to 95th percentile, from 30 s or more; readings within 2 s of a mode change are left out.\n" +
			"A typical dwell is the median of five or more. Limits (the longest dwell, the gap) are the\n" +
			"longest case seen and half as much again: one longer case raises a dwell, five lower it; a\n" +
			"gap takes five either way, and absences that a mark (mine, hands-on) covers are left out.\n" +
			"Where there is too little, the value is left as it is.",
		Example: "  benchvigil profile learn --profile profiles/family-18d1.yaml watch.jsonl\n" +
			"  benchvigil profile learn --profile profiles/family-18d1.yaml --station left-1 --write profiles/mine.yaml *.jsonl.zst",
		Args: atLeastOne("RECORDING"),
		RunE: func(c *cobra.Command, args []string) error {
			if o.Profile == "" {
				return fmt.Errorf("profile learn needs --profile, the file or name of the one to start from: %w", errUsage)
			}
			o.Recordings, o.Stdin, o.Out, o.Warn = args, c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr()
			return app.LearnProfile(o)
		},
	}
	c.Flags().StringVar(&o.Profile, "profile", "", "`file` of the profile to start from, or the name of one that the configuration knows or that is shipped")
	offerFamilies(c)
	c.Flags().StringVar(&o.Station, "station", "", "only this station (`id`)")
	c.Flags().StringVar(&o.Write, "write", "", "write the changed profile to this new `file`")
	return c
}
