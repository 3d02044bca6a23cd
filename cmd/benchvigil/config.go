package main

import (
	"fmt"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"benchvigil/internal/app"
	"benchvigil/internal/config"
)

// defaultConfig is where every command looks unless it is told otherwise.
const defaultConfig = app.DefaultConfig

// configFlags say which configuration is meant, and what the command line
// changes in it.
type configFlags struct {
	file   string
	values map[string]string // by key
}

// overridden are the keys of a configuration that have a flag.
var overridden = []struct{ key, help string }{
	{"bench", "`name` of the bench, instead of the configuration's"},
	{"listen", "`address` of the page, instead of the configuration's"},
	{"profiles", "`folder` of profiles, instead of the configuration's"},
}

func (f *configFlags) flags(c *cobra.Command) {
	f.values = map[string]string{}
	c.Flags().StringVar(&f.file, "config", defaultConfig, "configuration `file`")
	for _, o := range overridden {
		c.Flags().Var(keyFlag{o.key, f.values}, config.FlagName(o.key)[2:], o.help)
	}
}

// keyFlag is a flag that gives the value of a key.
type keyFlag struct {
	key    string
	values map[string]string
}

var _ pflag.Value = keyFlag{}

func (k keyFlag) String() string        { return k.values[k.key] }
func (k keyFlag) Set(text string) error { k.values[k.key] = text; return nil }
func (k keyFlag) Type() string          { return "string" }

func newConfig() *cobra.Command {
	c := &cobra.Command{
		Use:     "config",
		Short:   "Look at the configuration",
		Example: "  benchvigil config show --config config.yaml",
		Args:    exactly(),
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newConfigShow())
	return c
}

func newConfigShow() *cobra.Command {
	var f configFlags
	c := &cobra.Command{
		Use:   "show",
		Short: "Print the effective configuration and where each value came from",
		Long: "show prints the configuration as run would use it, defaults filled in. Beside each value\n" +
			"stands where it came from: a line of the file, an environment variable, a flag or a\n" +
			"default. What it prints is a configuration again, but for secrets: of a password it says\n" +
			"only that it is set, of an address that may hold a token only the host.",
		Example: "  benchvigil config show\n  BENCHVIGIL_LISTEN=127.0.0.1:9000 benchvigil config show --config config.yaml",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			text, err := config.Show(f.file, f.values)
			if err != nil {
				return fmt.Errorf("%w: %w", app.ErrConfig, err)
			}
			_, err = c.OutOrStdout().Write(text)
			return err
		},
	}
	f.flags(c)
	return c
}
