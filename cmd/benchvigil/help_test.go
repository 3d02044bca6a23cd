package main

import (
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// Every command shows in its --help how it is used.
func TestEveryCommandHasAnExample(t *testing.T) {
	seen := map[string]bool{}
	walk(newRoot(), func(c *cobra.Command) {
		seen[c.CommandPath()] = true
		if !strings.Contains(c.Example, "  benchvigil") {
			t.Errorf("%s has no example", c.CommandPath())
		}
		if c.Short == "" {
			t.Errorf("%s does not say what it does", c.CommandPath())
		}
	})
	for _, path := range []string{"benchvigil", "benchvigil run", "benchvigil config show", "benchvigil completion", "benchvigil help"} {
		if !seen[path] {
			t.Errorf("%s was not looked at", path)
		}
	}
}

func walk(c *cobra.Command, look func(*cobra.Command)) {
	look(c)
	for _, sub := range c.Commands() {
		walk(sub, look)
	}
}
