package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// newMan prints the manual page that the package has, all commands on one page.
func newMan() *cobra.Command {
	return &cobra.Command{
		Use:     "man",
		Short:   "Print the manual page",
		Example: "  benchvigil man > benchvigil.1",
		Hidden:  true,
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := io.WriteString(c.OutOrStdout(), manual(c.Root()))
			return err
		},
	}
}

// manual is the page in man(7)'s language.
func manual(root *cobra.Command) string {
	var p strings.Builder
	fmt.Fprintf(&p, ".TH BENCHVIGIL 1 \"\" \"benchvigil %s\" \"\"\n", roff(version()))
	fmt.Fprintf(&p, ".SH NAME\nbenchvigil \\- %s\n", roff(strings.ToLower(root.Short[:1])+root.Short[1:]))
	fmt.Fprintf(&p, ".SH SYNOPSIS\n.B benchvigil\n.I command\n[\n.I flags\n]\n.SH DESCRIPTION\n%s\n", roff(root.Long))
	p.WriteString(".SH COMMANDS\n")
	manCommands(&p, root)
	p.WriteString(".SH FILES\n.TP\n.I /etc/benchvigil/config.yaml\nthe stations of the bench\n" +
		".TP\n.I /etc/benchvigil/profiles\nfamilies of devices\n" +
		".TP\n.I /var/lib/benchvigil\nthe ledger of the service: what it observed and concluded\n" +
		".TP\n.I /usr/share/doc/benchvigil\nREADME.md, and examples: every key of the configuration, alerts for Prometheus\n")
	return p.String()
}

// manCommands describes each command that does something, in the order of the
// alphabet.
func manCommands(p *strings.Builder, parent *cobra.Command) {
	for _, c := range parent.Commands() {
		if c.Hidden || c.Name() == "help" {
			continue
		}
		if c.HasSubCommands() {
			manCommands(p, c)
			continue
		}
		text := c.Long
		if text == "" {
			text = c.Short + "."
		}
		fmt.Fprintf(p, ".SS %s\n%s\n", roff(strings.TrimPrefix(c.UseLine(), "benchvigil ")), roff(text))
		c.NonInheritedFlags().VisitAll(func(f *pflag.Flag) { manFlag(p, f) })
		fmt.Fprintf(p, ".PP\n.nf\n%s\n.fi\n", roff(c.Example))
	}
}

func manFlag(p *strings.Builder, f *pflag.Flag) {
	if f.Hidden || f.Name == "help" {
		return
	}
	value, usage := pflag.UnquoteUsage(f)
	fmt.Fprintf(p, ".TP\n\\fB\\-\\-%s\\fR \\fI%s\\fR\n%s\n", roff(f.Name), roff(value), roff(usage))
}

// roff keeps text from being taken for a request.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(s)
	lines := strings.Split(s, "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, ".") || strings.HasPrefix(l, "'") {
			lines[i] = `\&` + l
		}
	}
	return strings.Join(lines, "\n")
}
