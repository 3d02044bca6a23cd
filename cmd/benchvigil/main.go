// Command benchvigil watches boards on a phone data-recovery bench: which mode
// each is in, how long it has stayed up against the window it needs, and when
// it drops or stalls. This package holds flags, signals and exit codes;
// everything else is behind internal/app.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

// Exit codes, documented in the README. 2 is never used: it is what a Go panic
// gives.
const (
	exitOK         = 0
	exitUnexpected = 1
	exitConfig     = 3
	exitRecord     = 4
	exitHardware   = 5
	exitUnreadable = 6
	exitKilled     = 130
)

func main() {
	ctx, stop := signalContext()
	defer stop()
	os.Exit(execute(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// signalContext ends at the first interrupt; a second one ends the program at
// once.
func signalContext() (context.Context, func()) {
	ctx, cancel := context.WithCancel(context.Background())
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	go func() {
		<-signals
		cancel()
		<-signals
		os.Exit(exitKilled)
	}()
	return ctx, cancel
}

func execute(ctx context.Context, args []string, in io.Reader, out, errs io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errs)
	err := root.ExecuteContext(ctx)
	if err != nil {
		fmt.Fprintln(errs, "benchvigil: "+err.Error()) //nolint:errcheck // nobody is there to be told
	}
	return exitCode(err)
}

// exitCode is the one place that turns errors into exit codes.
func exitCode(err error) int {
	switch {
	case err == nil:
		return exitOK
	case errors.Is(err, app.ErrConfig), errors.Is(err, app.ErrCommand), errors.Is(err, errUsage):
		return exitConfig
	case errors.Is(err, app.ErrRecord):
		return exitRecord
	case errors.Is(err, app.ErrHardware):
		return exitHardware
	case errors.Is(err, app.ErrUnreadable), errors.Is(err, app.ErrLedger):
		return exitUnreadable
	}
	return exitUnexpected
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "benchvigil",
		Short: "Watch boards on a data-recovery bench",
		Long: "benchvigil watches every station of a phone data-recovery bench: USB enumeration and\n" +
			"supply current tell which mode a board is in, how long it has stayed up against the\n" +
			"window it needs, and when it drops or stalls.",
		Example:       "  benchvigil demo\n  benchvigil run --config /etc/benchvigil/config.yaml\n  benchvigil replay --profile invented-handset watch.jsonl",
		Version:       versionLine(),
		SilenceUsage:  true,
		SilenceErrors: true,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return fmt.Errorf("unknown command %q: %w", args[0], errUsage)
			}
			return nil
		},
		PersistentPreRun: warnOfEnvironment,
		RunE:             func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetVersionTemplate("{{.Version}}\n")
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error { return misused(c, "%v", err) })
	root.AddCommand(newRun(), newDemo(), newStatus(), newMark(), newRecord(), newReplay(), newConfig(), newCompletion(), newVersion(), newScan(), newSim(), newMan(), newStudy())
	root.InitDefaultHelpCmd()
	if help, _, err := root.Find([]string{"help"}); err == nil {
		help.Example = "  benchvigil help run"
	}
	root.AddCommand(newCheck(), newEnroll(), newProfile(), newWatch(), newTrace(), newAlert())
	root.AddCommand(newHistory(), newAudit(), newAccess(), newLedger(), newBackup(), newRestore())
	return root
}
