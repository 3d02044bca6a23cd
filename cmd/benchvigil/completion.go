package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

// newCompletion stands in for cobra's own, which does not say how to install
// its result on the system that this program is for.
func newCompletion() *cobra.Command {
	return &cobra.Command{
		Use:   "completion bash|zsh|fish",
		Short: "Print a script by which a shell completes commands, flags, stations and marks",
		Example: "  benchvigil completion bash > /etc/bash_completion.d/benchvigil\n" +
			"  benchvigil completion zsh > \"${fpath[1]}/_benchvigil\"\n" +
			"  benchvigil completion fish > ~/.config/fish/completions/benchvigil.fish",
		ValidArgs: []string{"bash", "zsh", "fish"},
		Args:      exactly("SHELL"),
		RunE: func(c *cobra.Command, args []string) error {
			switch out := c.OutOrStdout(); args[0] {
			case "bash":
				return c.Root().GenBashCompletionV2(out, true)
			case "zsh":
				return c.Root().GenZshCompletion(out)
			case "fish":
				return c.Root().GenFishCompletion(out, true)
			}
			return fmt.Errorf("shell %q: want bash, zsh or fish: %w", args[0], errUsage)
		},
	}
}

// offered answers what can stand next; files are not among it.
type offered = cobra.CompletionFunc

func offer(list func(c *cobra.Command, args []string) []string) offered {
	return func(c *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		return list(c, args), cobra.ShellCompDirectiveNoFileComp
	}
}

// offerFlag completes a flag.
func offerFlag(c *cobra.Command, flag string, list func(c *cobra.Command, args []string) []string) {
	if err := c.RegisterFlagCompletionFunc(flag, offer(list)); err != nil {
		panic(err) // the flag is there
	}
}

// offerWords completes a flag that takes one of these.
func offerWords(c *cobra.Command, flag string, words ...string) {
	offerFlag(c, flag, func(*cobra.Command, []string) []string { return words })
}

// offerFamilies completes a flag --profile that takes a file or a name.
func offerFamilies(c *cobra.Command) {
	err := c.RegisterFlagCompletionFunc("profile", func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		return app.OfferFamilies(), cobra.ShellCompDirectiveDefault
	})
	if err != nil {
		panic(err) // the flag is there
	}
}

// running offers the stations of the bench that runs.
func running(url *string) func(*cobra.Command, []string) []string {
	return func(c *cobra.Command, _ []string) []string {
		return app.OfferStations(completing(c), *url, defaultConfig)
	}
}

// completing is the context of a command, also while it is only completed.
func completing(c *cobra.Command) context.Context {
	if ctx := c.Context(); ctx != nil {
		return ctx
	}
	return context.Background()
}
