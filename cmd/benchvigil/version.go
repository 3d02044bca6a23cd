package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// release is set by the linker for released binaries.
var release = ""

// version is the release, or the commit that the binary was built from.
func version() string {
	if release != "" {
		return release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return "commit " + s.Value[:min(12, len(s.Value))]
		}
	}
	return "development"
}

// versionLine is what version and --version print.
func versionLine() string {
	return fmt.Sprintf("benchvigil %s, %s, %s/%s", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

func newVersion() *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Say which version this is",
		Example: "  benchvigil version",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := fmt.Fprintln(c.OutOrStdout(), versionLine())
			return err
		},
	}
}
