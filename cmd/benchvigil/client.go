package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/user"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"benchvigil/internal/app"
)

// urlFlag is where the daemon listens, which its environment may say too.
func urlFlag(c *cobra.Command, target *string) {
	def := app.DefaultURL
	if listen := os.Getenv("BENCHVIGIL_LISTEN"); listen != "" {
		def = "http://" + listen
	}
	c.Flags().StringVar(target, "url", def, "`address` of the running benchvigil; beyond this computer with a token of it in "+app.TokenEnv+", and the file of its authority in "+app.AuthorityEnv)
}

func newStatus() *cobra.Command {
	o := app.StatusOptions{}
	c := &cobra.Command{
		Use:   "status",
		Short: "Show all stations of a running bench",
		Long: "status shows the alerts that stand, then all stations of a running bench, one a line. What\n" +
			"needs explaining:\n" +
			"  UP         how long the run has gone on; > for surely so long: it was up already at first\n" +
			"             sight, or at the end of a time in which nobody watched\n" +
			"  WINDOW     how much of the time that the board must stay up is over\n" +
			"  CURRENT    the last reading; one from before the supply fell silent stands in brackets\n" +
			"  AHEAD      how long the work still takes, and how earlier runs of this hook-up did that\n" +
			"             came as far: of 5 or more also how likely the next one reaches its window,\n" +
			"             within limits that hold nine times in ten\n" +
			"  ATTENTION  what somebody should know, the most urgent first",
		Example: "  benchvigil status\n  benchvigil status --watch\n  benchvigil status --json",
		Args:    exactly(),
		RunE: func(c *cobra.Command, _ []string) error {
			o.Out, o.Say = c.OutOrStdout(), c.ErrOrStderr()
			o.Clear = o.Watch && !o.JSON && isTerminal(os.Stdout)
			return app.ShowStatus(c.Context(), o)
		},
	}
	c.Flags().BoolVar(&o.Watch, "watch", false, "look again and again until interrupted, also while the bench does not answer")
	c.Flags().DurationVar(&o.Every, "every", time.Second, "between two looks with --watch")
	c.Flags().BoolVar(&o.JSON, "json", false, "print JSON, one line a look")
	urlFlag(c, &o.URL)
	return c
}

func newMark() *cobra.Command {
	var o app.MarkOptions
	var yes bool
	c := &cobra.Command{
		Use:   "mark STATION KIND [TEXT ...]",
		Short: "Say what only a person knows",
		Long: "mark tells the running bench what a person did or saw:\n" +
			"  stop        I end this run: it is never counted against the board. On a terminal it asks\n" +
			"              first while a run goes on (not with --yes)\n" +
			"  resume      that stop was a mistake: the run goes on, unless the board was off since\n" +
			"  mine        that was me: the last drop was a person's doing\n" +
			"  hands-on    I am at the station: alerts wait, nothing is counted (--for, default 10m)\n" +
			"  hands-off   I am done\n" +
			"  screen      what the screen shows: blank, logo, lock screen, repair prompt,\n" +
			"              delay shown, trust prompt, unlocked or progress bar\n" +
			"  hook-up     reseated, or a part changed: a new hook-up, with odds of its own\n" +
			"  warm        the board is warm\n" +
			"  case        the number of the case that the board belongs to, or nothing for none\n" +
			"  note        anything else\n" +
			"  arm         wait for a goal, such as stay 3h (as watch arm does); done; disarm",
		Example: "  benchvigil mark left-1 stop\n  benchvigil mark left-1 hands-on --for 5m\n  benchvigil mark left-1 screen lock screen",
		Args: func(c *cobra.Command, args []string) error {
			if len(args) < 2 {
				return exactly("STATION", "KIND")(c, args)
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			o.Station, o.Mark.Kind, o.Mark.Text = args[0], args[1], strings.Join(args[2:], " ")
			if !yes && somebodyTypes() {
				o.Sure = func(question string) bool { return agreed(c.InOrStdin(), c.ErrOrStderr(), question) }
			}
			if err := app.MakeMark(c.Context(), o); err != nil {
				return err
			}
			_, err := fmt.Fprintf(c.OutOrStdout(), "%s: %s noted\n", o.Station, o.Mark.Kind)
			return err
		},
	}
	stations := running(&o.URL)
	c.ValidArgsFunction = offer(func(c *cobra.Command, args []string) []string {
		if len(args) == 0 {
			return stations(c, args)
		}
		return app.OfferMarks(args[1:])
	})
	c.Flags().StringVar(&o.Mark.By, "by", login(), "who says it")
	c.Flags().DurationVar(&o.Mark.For, "for", 0, "how long hands-on lasts")
	c.Flags().BoolVarP(&yes, "yes", "y", false, "stop without asking first")
	urlFlag(c, &o.URL)
	return c
}

// somebodyTypes reports that a person can be asked: nobody is behind the null
// device, though it is a character device like a terminal.
func somebodyTypes() bool {
	in, err := os.Stdin.Stat()
	null, errNull := os.Stat(os.DevNull)
	return err == nil && isTerminal(os.Stdin) && isTerminal(os.Stderr) && !(errNull == nil && os.SameFile(in, null))
}

// agreed asks a question that is answered by no unless somebody says yes.
func agreed(in io.Reader, out io.Writer, question string) bool {
	fmt.Fprint(out, question+" [y/N] ") //nolint:errcheck // then the answer will be no
	line, _ := bufio.NewReader(in).ReadString('\n')
	switch strings.ToLower(strings.TrimSpace(line)) {
	case "y", "yes":
		return true
	}
	return false
}

// login is the name of whoever runs the program, empty where it has none.
func login() string {
	u, err := user.Current()
	if err != nil {
		return ""
	}
	return u.Username
}

func newRecord() *cobra.Command {
	var o app.RecordOptions
	var data, from, to string
	c := &cobra.Command{
		Use:   "record FILE",
		Short: "Write observations to a file, live or of the past",
		Long: "record writes what the running bench observes to a new file (- is standard output), in\n" +
			"the format that replay reads, until it is interrupted or the time is over. With --data it\n" +
			"cuts an interval of the past out of the ledger instead, also while a watch writes to it.\n" +
			"A board that was up already where the cut begins is taken for assumed by replay.\n\n" + momentsHelp,
		Example: "  benchvigil record watch.jsonl\n  benchvigil record --station left-1 --for 10m left.jsonl\n" +
			"  benchvigil record --data /var/lib/benchvigil --from 3h --to 1h past.jsonl",
		Args: exactly("FILE"),
		RunE: func(c *cobra.Command, args []string) error {
			o.File, o.Out, o.Say = args[0], c.OutOrStdout(), c.ErrOrStderr()
			if from != "" || to != "" {
				if data = app.DataFolder(data); data == "" {
					return misused(c, "--from and --to are about the past, in the ledger that --data names")
				}
			}
			if data == "" {
				return app.RecordLive(c.Context(), o)
			}
			cut := app.CutOptions{Data: data, Station: o.Station, File: o.File, Out: o.Out, Say: o.Say}
			var err error
			if cut.From, cut.To, err = moments(c, from, to); err != nil {
				return err
			}
			return app.Cut(c.Context(), cut)
		},
	}
	c.Flags().StringVar(&o.Station, "station", "", "only this station (`id`)")
	c.Flags().DurationVar(&o.For, "for", 0, "how long; default until interrupted")
	dataFlag(c, &data)
	momentFlags(c, &from, &to)
	urlFlag(c, &o.URL)
	offerFlag(c, "station", running(&o.URL))
	return c
}
