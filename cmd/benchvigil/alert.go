package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newAlert() *cobra.Command {
	c := &cobra.Command{
		Use:   "alert",
		Short: "Show alerts of a running bench, and say who sees to them",
		Long: "alert shows what stands and takes what a person does about it:\n" +
			"  ack       I see to it: nobody is told of it again\n" +
			"  shelve    not now: it comes back by itself when the time is over (--for, at most 12h)\n" +
			"  unshelve  now after all\n" +
			"  out       out of service: it is told to nobody until somebody puts it back\n" +
			"  back      in service again\n" +
			"An ALERT is named as list prints it, by its beginning if that is enough, or by a station,\n" +
			"which means all of its alerts.",
		Example: "  benchvigil alert list\n  benchvigil alert ack left-1\n  benchvigil alert shelve left-1.stalled --for 1h",
		Args:    exactly(),
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(
		newAlertList(),
		newAlertAct("ack", "Say that you see to an alert", "  benchvigil alert ack left-1.dropped"),
		newAlertAct("shelve", "Put an alert off for a while", "  benchvigil alert shelve left-1.stalled --for 1h"),
		newAlertAct("unshelve", "Take back that an alert was put off", "  benchvigil alert unshelve left-1.stalled"),
		newAlertAct("out", "Take an alert out of service", "  benchvigil alert out left-1.draw.high-idle"),
		newAlertAct("back", "Put an alert back in service", "  benchvigil alert back left-1.draw.high-idle"),
		newAlertTest(),
		newAlertStats(),
	)
	return c
}

func alertFlags(c *cobra.Command, o *app.AlertsOptions) {
	c.Flags().BoolVar(&o.JSON, "json", false, "print JSON")
	urlFlag(c, &o.URL)
}

func newAlertList() *cobra.Command {
	var o app.AlertsOptions
	c := &cobra.Command{
		Use:     "list",
		Short:   "Show the alerts that are not normal, the most urgent first",
		Example: "  benchvigil alert list\n  benchvigil alert list --json",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			o.Out = c.OutOrStdout()
			return app.ListAlerts(c.Context(), o)
		},
	}
	alertFlags(c, &o)
	return c
}

// newAlertAct is a command that does something about an alert.
func newAlertAct(name, short, example string) *cobra.Command {
	var o app.ActOptions
	o.Act.Do = app.AlertActs[name]
	c := &cobra.Command{
		Use:     name + " ALERT",
		Short:   short,
		Example: example,
		Args:    exactly("ALERT"),
		RunE: func(c *cobra.Command, args []string) error {
			o.Act.Key, o.Out = args[0], c.OutOrStdout()
			return app.ActOnAlerts(c.Context(), o)
		},
	}
	c.ValidArgsFunction = offer(func(c *cobra.Command, args []string) []string {
		if len(args) > 0 {
			return nil
		}
		return app.OfferAlerts(completing(c), o.URL, o.Act.Do)
	})
	c.Flags().StringVar(&o.Act.By, "by", login(), "who does it")
	if name == "shelve" {
		c.Flags().DurationVar(&o.Act.For, "for", app.DefaultShelve, "how long, at most 12h")
	}
	urlFlag(c, &o.URL)
	return c
}

func newAlertTest() *cobra.Command {
	var o app.TestOptions
	c := &cobra.Command{
		Use:   "test",
		Short: "Send a test alert, and show how the outlets fare",
		Long: "test sends a test alert by every outlet, or by one, and waits for what becomes of it. It\n" +
			"exits 1 where one does not deliver.",
		Example: "  benchvigil alert test\n  benchvigil alert test --outlet phones",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			o.Out = c.OutOrStdout()
			return app.TestOutlets(c.Context(), o)
		},
	}
	c.Flags().StringVar(&o.Outlet, "outlet", "", "only this outlet (`name`)")
	c.Flags().StringVar(&o.By, "by", login(), "who tests")
	alertFlags(c, &o.AlertsOptions)
	offerFlag(c, "outlet", func(c *cobra.Command, _ []string) []string { return app.OfferOutlets(completing(c), o.URL) })
	return c
}

func newAlertStats() *cobra.Command {
	var o app.StatsOptions
	c := &cobra.Command{
		Use:   "stats",
		Short: "Measure how many alerts there were, and what became of them",
		Long: "stats measures the load of alerts over the last days: too many of them, and nobody looks any\n" +
			"more. With --data it reads a ledger, else it asks the running bench.",
		Example: "  benchvigil alert stats\n  benchvigil alert stats --days 30 --data /var/lib/benchvigil",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			o.Out = c.OutOrStdout()
			return app.ShowLoad(c.Context(), o)
		},
	}
	c.Flags().IntVar(&o.Days, "days", 7, fmt.Sprintf("how many `days`, at most %d", 366))
	c.Flags().StringVar(&o.Data, "data", "", "`folder` of the ledger; default: the running bench is asked")
	c.Flags().IntVar(&o.People, "people", 1, "with --data: among how many the load is shared")
	alertFlags(c, &o.AlertsOptions)
	return c
}
