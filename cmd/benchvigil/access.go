package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"benchvigil/internal/app"
)

func newAccess() *cobra.Command {
	c := &cobra.Command{
		Use:   "access",
		Short: "Say who may see and work on the bench from elsewhere",
		Long: "access enters people with passwords, links of walls, and tokens of programs. A watch that runs\n" +
			"follows at once. While the pages are served to the bench computer alone (listen: 127.0.0.1:8420)\n" +
			"nobody logs in; served to a network, everybody does, at the bench computer too. Its folder is\n" +
			"never copied by backup: people are entered anew on another computer.",
		Example: "  benchvigil access user add kim --role work",
		Args:    exactly(),
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(accessGroup("user", "People with passwords", newUserAdd(), accessList("user"), accessRemove("user", "remove")),
		accessGroup("link", "Links of walls, which only view", newKeyAdd("link"), accessList("link"), accessRemove("link", "revoke")),
		accessGroup("token", "Tokens of programs", newKeyAdd("token"), accessList("token"), accessRemove("token", "revoke")), newCertificate())
	return c
}

func accessGroup(name, short string, commands ...*cobra.Command) *cobra.Command {
	c := &cobra.Command{
		Use: name, Short: short, Long: short + ": list, add and take away.", Example: "  benchvigil access " + name + " list",
		Args: exactly(), RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(commands...)
	return c
}

func newUserAdd() *cobra.Command {
	var data, role string
	c := &cobra.Command{
		Use: "add NAME", Short: "Enter a person, or give one a new password or role",
		Long: "add asks for the password twice, without showing it, and enters the person. One that is there\n" +
			"gets the new password and role, and is logged out everywhere. Piped in, the password is one line.",
		Example: "  benchvigil access user add kim --role work", Args: exactly("NAME"),
		RunE: func(c *cobra.Command, args []string) error {
			if err := needData(c, &data); err != nil {
				return err
			}
			if err := app.CheckAccess(args[0], role); err != nil {
				return misused(c, "%v", err)
			}
			if err := app.DataThere(data); err != nil {
				return err
			}
			password, err := askPassword(c.InOrStdin(), c.ErrOrStderr())
			if err != nil {
				return misused(c, "%v", err)
			}
			if err := app.SetPerson(data, args[0], role, password); err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s may log in, role %s.\n", args[0], role)
			return err
		},
	}
	dataFlag(c, &data)
	c.Flags().StringVar(&role, "role", "view", "`role`: view sees everything and changes nothing, work acts")
	return c
}

// askPassword asks twice without echo; from a pipe it takes one line.
func askPassword(in io.Reader, out io.Writer) (string, error) {
	f, ok := in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) { //nolint:gosec // a file number is small
		line, err := bufio.NewReader(in).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", err
		}
		return strings.TrimRight(line, "\r\n"), nil
	}
	var typed [2]string
	for i, prompt := range []string{"Password: ", "The same again: "} {
		fmt.Fprint(out, prompt)                  //nolint:errcheck // nobody is there to be asked
		b, err := term.ReadPassword(int(f.Fd())) //nolint:gosec // a file number is small
		fmt.Fprintln(out)                        //nolint:errcheck // likewise
		if err != nil {
			return "", err
		}
		typed[i] = string(b)
	}
	if typed[0] != typed[1] {
		return "", errors.New("the two differ: nothing was changed")
	}
	return typed[0], nil
}

func newKeyAdd(what string) *cobra.Command {
	var data, address string
	role := "view"
	c := &cobra.Command{
		Use: "add NAME", Short: "Make a " + what, Long: "add makes a " + what + " and prints it once: only what proves it is kept. Whoever has it may use it\nuntil it is revoked.",
		Example: "  benchvigil access " + what + " add north", Args: exactly("NAME"),
		RunE: func(c *cobra.Command, args []string) error {
			if err := needData(c, &data); err != nil {
				return err
			}
			if err := app.CheckAccess(args[0], role); err != nil {
				return misused(c, "%v", err)
			}
			if what == "link" && address == "" {
				return misused(c, "--address is missing: how the wall reaches the bench, such as https://bench.local:8420")
			}
			token, err := app.AddKey(data, what, args[0], role, time.Now())
			if err != nil {
				return err
			}
			if what == "link" {
				token = strings.TrimSuffix(address, "/") + "/wall?token=" + token
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), token)
			return err
		},
	}
	dataFlag(c, &data)
	if what == "link" {
		c.Flags().StringVar(&address, "address", "", "`address` of the pages as the wall reaches them, such as https://bench.local:8420")
	} else {
		c.Flags().StringVar(&role, "role", "view", "`role`: view or work")
	}
	return c
}

func accessList(what string) *cobra.Command {
	var data string
	c := &cobra.Command{
		Use: "list", Short: "List them", Long: "list prints names and roles, never what proves them.",
		Example: "  benchvigil access " + what + " list", Args: exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			if err := needData(c, &data); err != nil {
				return err
			}
			rows, err := app.ListAccess(data, what)
			if err != nil {
				return err
			}
			w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
			for _, row := range rows {
				fmt.Fprintln(w, strings.Join(row, "\t")) //nolint:errcheck // Flush tells
			}
			return w.Flush()
		},
	}
	dataFlag(c, &data)
	return c
}

func accessRemove(what, word string) *cobra.Command {
	var data string
	c := &cobra.Command{
		Use: word + " NAME", Short: "Take one away", Long: word + " takes one away. What it has open ends within two seconds.",
		Example: "  benchvigil access " + what + " " + word + " NAME", Args: exactly("NAME"),
		RunE: func(c *cobra.Command, args []string) error {
			if err := needData(c, &data); err != nil {
				return err
			}
			if err := app.RemoveAccess(data, what, args[0]); err != nil {
				return err
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "%s: no %s any more.\n", args[0], what)
			return err
		},
	}
	dataFlag(c, &data)
	return c
}

func newCertificate() *cobra.Command {
	var dir string
	var names []string
	var addresses []net.IP
	c := &cobra.Command{
		Use: "certificate", Short: "Make a certificate for this bench",
		Long: "certificate makes, in a folder, an authority for exactly the names and addresses given, and a\n" +
			"certificate by it that holds for 397 days. Run again, it renews the certificate; phones that trust\n" +
			"the authority notice nothing, and a watch takes it up by itself.",
		Example: "  benchvigil access certificate --name bench.local --address 192.168.1.20 --dir /etc/benchvigil/tls", Args: exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			if err := app.MakeCertificate(dir, names, addresses, time.Now()); err != nil {
				return err
			}
			full, err := filepath.Abs(dir)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), certificateText, full)
			return err
		},
	}
	c.Flags().StringVar(&dir, "dir", "tls", "`folder` for the files, made where it is missing")
	c.Flags().StringSliceVar(&names, "name", nil, "host `name` by which phones reach the bench; may be given several times")
	c.Flags().IPSliceVar(&addresses, "address", nil, "IP `address` likewise")
	return c
}

const certificateText = `Made in %[1]s. Write into the configuration:

tls:
  certificate: %[1]s/bench.pem
  key: %[1]s/bench.key

So that a phone trusts it, bring authority.pem to the phone by a way that nobody
can change, such as a cable, and install it there as a trusted authority (on some
phones it must be switched on in a second place afterwards). Never give away the
files that end in .key: authority.key is best kept on a stick in a drawer.
`

func newAudit() *cobra.Command {
	var o app.AuditOptions
	var from, to string
	c := &cobra.Command{
		Use: "audit", Short: "List who did what, the newest first",
		Long:    "audit lists what people did or tried to: marks, goals, alerts, downloads, logins.\n\n" + momentsHelp,
		Example: "  benchvigil audit --from 24h --who kim", Args: exactly(),
		RunE: func(c *cobra.Command, _ []string) (err error) {
			if err := needData(c, &o.Data); err != nil {
				return err
			}
			if o.From, o.To, err = moments(c, from, to); err != nil {
				return err
			}
			o.Out = c.OutOrStdout()
			return app.Audit(c.Context(), o)
		},
	}
	dataFlag(c, &o.Data)
	momentFlags(c, &from, &to)
	c.Flags().StringVar(&o.Who, "who", "", "only what this person did (`name`)")
	c.Flags().BoolVar(&o.JSON, "json", false, "print JSON, one object a line")
	return c
}
