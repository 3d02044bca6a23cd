package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"benchvigil/internal/config"
)

// errUsage marks a command line that cannot be understood.
var errUsage = errors.New("see benchvigil --help")

// misused says what is wrong with a command line, and how it would be right.
func misused(c *cobra.Command, format string, args ...any) error {
	return fmt.Errorf("%s; usage: %s; %w", fmt.Sprintf(format, args...), c.UseLine(), errUsage)
}

// exactly wants one argument for each of these words.
func exactly(what ...string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		switch {
		case len(args) < len(what):
			verb := "is"
			if len(what)-len(args) > 1 {
				verb = "are"
			}
			return misused(c, "%s %s missing", strings.Join(what[len(args):], " and "), verb)
		case len(args) > len(what) && len(what) == 0:
			return misused(c, "%s takes no arguments, and there is %q", c.Name(), args[0])
		case len(args) > len(what):
			return misused(c, "%s takes %s only, and there is %q too", c.Name(), strings.Join(what, " and "), args[len(what)])
		}
		return nil
	}
}

// atLeastOne wants one or more of what.
func atLeastOne(what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return misused(c, "%s is missing, one or more", what)
		}
		return nil
	}
}

// warnOfEnvironment names variables that look like ours and mean nothing.
func warnOfEnvironment(c *cobra.Command, _ []string) {
	if c.Hidden || c.Name() == cobra.ShellCompRequestCmd || c.Name() == cobra.ShellCompNoDescRequestCmd {
		return
	}
	for _, text := range config.Strangers(os.Environ()) {
		fmt.Fprintln(c.ErrOrStderr(), "benchvigil: warning: "+text) //nolint:errcheck // nobody is there to be told
	}
}
