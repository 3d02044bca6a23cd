package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newWatch() *cobra.Command {
	c := &cobra.Command{
		Use:   "watch",
		Short: "Arm what to wait for on a station of a running bench",
		Long: "watch arms a goal on a station, and the bench says when it is done or has failed:\n" +
			"  stay                        powered for the station's window\n" +
			"  stay 3h                     powered for 3 hours from now\n" +
			"  reach running within 2h     reach a mode in that time\n" +
			"  copy                        powered until you say that it is done; also copy within 5h\n" +
			"  re-pair within 90m          come back from a re-pairing; the limit may be left out\n" +
			"A drop fails each of them. A person who ends the run ends the watch.",
		Example: "  benchvigil watch arm left-1 stay 3h\n  benchvigil watch list",
		Args:    exactly(),
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(
		newWatchMark("arm", "STATION GOAL ...", "Arm a goal, in the place of the one before",
			"  benchvigil watch arm left-1 reach running within 2h\n  benchvigil watch arm left-1 copy"),
		newWatchMark("done", "STATION [TEXT ...]", "Say that the armed goal is reached, such as a copy", "  benchvigil watch done left-1"),
		newWatchMark("disarm", "STATION", "Wait for nothing any more, and put away how the last watch ended", "  benchvigil watch disarm left-1"),
		newWatchList(),
	)
	return c
}

// newWatchMark is a command that makes a mark of the same name.
func newWatchMark(kind, args, short, example string) *cobra.Command {
	var o app.MarkOptions
	c := &cobra.Command{
		Use:     kind + " " + args,
		Short:   short,
		Example: example,
		Args: func(c *cobra.Command, args []string) error {
			switch {
			case kind == "arm" && len(args) < 2:
				return exactly("STATION", "GOAL")(c, args)
			case len(args) < 1, kind == "disarm" && len(args) > 1:
				return exactly("STATION")(c, args)
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			o.Station, o.Mark.Kind, o.Mark.Text = args[0], kind, strings.Join(args[1:], " ")
			if err := app.MakeMark(c.Context(), o); err != nil {
				return err
			}
			_, err := fmt.Fprintln(c.OutOrStdout(), strings.TrimSpace(o.Station+": "+kind+" "+o.Mark.Text))
			return err
		},
	}
	c.ValidArgsFunction = offer(func(c *cobra.Command, args []string) []string {
		if len(args) == 0 {
			return running(&o.URL)(c, args)
		}
		return app.OfferMarks(append([]string{kind}, args[1:]...))
	})
	c.Flags().StringVar(&o.Mark.By, "by", login(), "who says it")
	urlFlag(c, &o.URL)
	return c
}

func newWatchList() *cobra.Command {
	var o app.WatchesOptions
	c := &cobra.Command{
		Use:     "list",
		Short:   "Show what each station waits for, or how its last watch ended",
		Example: "  benchvigil watch list",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			o.Out = c.OutOrStdout()
			return app.ListWatches(c.Context(), o)
		},
	}
	urlFlag(c, &o.URL)
	return c
}
