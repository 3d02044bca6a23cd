package main

import (
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

func newRun() *cobra.Command {
	var conf configFlags
	var o app.RunOptions
	var logs logOptions
	c := &cobra.Command{
		Use:   "run",
		Short: "Watch the bench that a configuration describes",
		Long: "run watches every station of the configuration until it is interrupted, and serves the\n" +
			"page, /metrics, /healthz and /readyz on the address in it. SIGHUP, or a change of the\n" +
			"configuration or a profile, makes it read them again: only stations that changed begin anew.",
		Example: "  benchvigil run --config /etc/benchvigil/config.yaml\n  benchvigil run --config config.yaml --events events.jsonl --record watch.jsonl\n  benchvigil run --config config.yaml --data /var/lib/benchvigil",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			log, err := logs.logger(c.ErrOrStderr())
			if err != nil {
				return err
			}
			o.Logger, o.Version, o.Out = log, version(), c.OutOrStdout()
			o.Started = func(url string) {
				fmt.Fprintf(c.ErrOrStderr(), "Open %s/ to see the bench.\n", url) //nolint:errcheck // nobody is there to be told
			}
			o.Flags, o.Reload = conf.values, hangups()
			return app.RunConfig(c.Context(), conf.file, o)
		},
	}
	conf.flags(c)
	c.Flags().StringVar(&o.Events, "events", "", "add events to this `file`, one CloudEvent a line")
	c.Flags().StringVar(&o.Record, "record", "", "write observations to this new `file`, for replay")
	c.Flags().StringVar(&o.Data, "data", "", "keep everything in the ledger in this `folder`, made where it is missing")
	c.Flags().BoolVar(&o.CheckOnly, "check-config", false, "read the configuration, say what is wrong with it or that it is good, and stop")
	logs.flags(c)
	return c
}

// hangups delivers the signals that ask for the configuration to be read again.
func hangups() <-chan os.Signal {
	c := make(chan os.Signal, 1)
	signal.Notify(c, syscall.SIGHUP)
	return c
}
