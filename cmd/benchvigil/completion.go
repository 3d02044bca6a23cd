package main

import (
	"fmt"

	"github.com/spf13/cobra"
)

// newCompletion stands in for cobra's own, which does not say how to install
// its result on the system that this program is for.
func newCompletion() *cobra.Command {
	return &cobra.Command{
		Use:   "completion bash|zsh|fish",
		Short: "Print a script by which a shell completes commands and flags",
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
