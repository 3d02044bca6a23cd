package enroll

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"
)

// talk is a conversation in a plain terminal: lines out, lines in.
type talk struct {
	ctx   context.Context //nolint:containedctx // a conversation is one call, and ends with it
	out   io.Writer
	lines <-chan string
	ended <-chan struct{} // closed once there is no further line
	yes   bool
}

func newTalk(ctx context.Context, in io.Reader, out io.Writer, yes bool) talk {
	lines, ended := make(chan string), make(chan struct{})
	go func() { // left behind at the end, waiting for a line that nobody types
		defer close(ended)
		defer close(lines)
		for r := bufio.NewScanner(in); r.Scan(); {
			select {
			case lines <- strings.TrimSpace(r.Text()):
			case <-ctx.Done():
				return
			}
		}
	}()
	return talk{ctx, out, lines, ended, yes}
}

func (t talk) say(format string, args ...any) {
	fmt.Fprintf(t.out, format+"\n", args...) //nolint:errcheck // nobody is there to be told
}

// question is one thing to be known.
type question struct {
	given   string // the answer of the command line
	flag    string // which flag gives it
	text    string
	propose string // what return alone means; empty: something has to be typed
	help    string // what ? shows
	check   func(answer string) error
}

// answer is what the command line says, or what is proposed where nobody wants
// to be asked, or what is typed. What does not pass is asked again, but an
// answer of the command line is refused.
func (t talk) answer(q question) (string, error) {
	if q.check == nil {
		q.check = func(string) error { return nil }
	}
	switch {
	case q.given != "":
		if err := q.check(q.given); err != nil {
			return "", noAnswer("%s: %w", q.flag, err)
		}
		return q.given, nil
	case t.yes && q.propose != "":
		return q.propose, nil
	case t.yes:
		return "", noAnswer("no answer to %q: give it by %s", q.text, q.flag)
	}
	for {
		text, err := t.line(q)
		if err != nil {
			return "", err
		}
		if text == "?" && q.help != "" {
			t.say("  %s", q.help)
			continue
		}
		if err := q.check(text); err != nil {
			t.say("  %v", err)
			continue
		}
		return text, nil
	}
}

// line asks once.
func (t talk) line(q question) (string, error) {
	prompt := q.text
	if q.propose != "" {
		prompt += " [" + q.propose + "]"
	}
	fmt.Fprint(t.out, prompt+": ") //nolint:errcheck // nobody is there to be told
	select {
	case text, ok := <-t.lines:
		switch {
		case !ok:
			t.say("")
			return "", noAnswer("no answer to %q: give it by %s", q.text, q.flag)
		case text == "":
			return q.propose, nil
		}
		return text, nil
	case <-t.ctx.Done():
		return "", t.ctx.Err()
	}
}

// confirm asks yes or no; help says what either means.
func (t talk) confirm(text, propose, help string) (bool, error) {
	a, err := t.answer(question{flag: "--yes", text: text + " (y, n or ?)", propose: propose, help: help, check: func(a string) error {
		if a := strings.ToLower(a); a != "y" && a != "n" && a != "yes" && a != "no" {
			return fmt.Errorf("%q: y or n; ? says what they mean", a)
		}
		return nil
	}})
	return strings.HasPrefix(strings.ToLower(a), "y"), err
}
