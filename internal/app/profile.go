package app

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/learn"
	"benchvigil/internal/profile"
	"benchvigil/internal/recording"
)

// ProfileCheckOptions say which profiles to look at.
type ProfileCheckOptions struct {
	Files []string
	Out   io.Writer
}

// CheckProfiles says of each file what is doubtful in it. What is wrong in any
// of them is the error.
func CheckProfiles(o ProfileCheckOptions) error {
	var errs []error
	for _, name := range o.Files {
		if err := checkProfile(name, o.Out); err != nil {
			errs = append(errs, err)
		}
	}
	if len(errs) > 0 {
		return fmt.Errorf("%w: %w", ErrConfig, errors.Join(errs...))
	}
	return nil
}

func checkProfile(name string, out io.Writer) error {
	f, err := os.Open(name) //nolint:gosec // the user names the file
	if err != nil {
		return fmt.Errorf("profile: %w", err)
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	p, hints, err := profile.Examine(f, name)
	if err != nil {
		return err
	}
	var b strings.Builder
	noun := "hints"
	if len(hints) == 1 {
		noun = "hint"
	}
	fmt.Fprintf(&b, "%s: sound: %s, %d modes, %d %s\n", name, p.Name, len(p.Modes), len(hints), noun)
	for _, h := range hints {
		fmt.Fprintf(&b, "%s:%d:%d: hint: %s\n", name, h.Line, h.Column, h.Text)
	}
	_, err = io.WriteString(out, b.String())
	return err
}

// ProfileLearnOptions say from what to learn, and where what was learned goes.
type ProfileLearnOptions struct {
	Profile    string   // file of the profile as it is
	Recordings []string // files; "-" is standard input
	Station    string   // only this one; empty: all
	Write      string   // a new file for the changed profile; empty: only show
	Stdin      io.Reader
	Out        io.Writer // what would change
	Warn       io.Writer // what was passed over
}

// LearnProfile shows what recordings would change in a profile, and writes a
// changed one where asked.
func LearnProfile(o ProfileLearnOptions) error {
	p, file, src, err := namedProfile(o.Profile)
	if err != nil {
		return err
	}
	o.Profile = file
	if _, err := os.Lstat(o.Write); o.Write != "" && err == nil {
		return fmt.Errorf("%w: %s is already there: name a new file", ErrConfig, o.Write)
	}
	l := learn.New(p)
	if err := o.followAll(l); err != nil {
		return err
	}
	found := l.Findings()
	if err := showFindings(o.Out, found); err != nil {
		return err
	}
	return o.write(src, p.Name, found)
}

// followAll reads every recording, and wants the named station in one of them.
func (o ProfileLearnOptions) followAll(l *learn.Learner) error {
	stations := map[string]bool{}
	for _, name := range o.Recordings {
		if err := o.follow(l, name, stations); err != nil {
			return err
		}
	}
	if o.Station != "" && !stations[o.Station] {
		return fmt.Errorf("%w: no station %q in the recordings: there are %s", ErrUnreadable, o.Station,
			strings.Join(slices.Sorted(maps.Keys(stations)), ", "))
	}
	return nil
}

// follow reads one recording and notes its stations.
func (o ProfileLearnOptions) follow(l *learn.Learner, file string, stations map[string]bool) error {
	var followers []*learn.Follower
	r := recorded{file: file, station: o.Station, stdin: o.Stdin, warn: o.Warn}
	wiring, err := r.through(func(id string, h bench.Hookup) recording.Engine {
		f := l.Follow(infer.Station{ID: id, Hookup: h})
		followers = append(followers, f)
		return f
	})
	if err != nil {
		return err
	}
	for id := range wiring {
		stations[id] = true
	}
	for _, f := range followers {
		f.Done()
	}
	return nil
}

func showFindings(out io.Writer, found []learn.Finding) error {
	t := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "MODE\tKEY\tNOW\tLEARNED\tFROM\tNOTE") //nolint:errcheck // Flush tells
	for _, f := range found {
		to := "left"
		if len(f.To) > 0 {
			to = profile.Inline(f.To)
		}
		mode, from := string(f.Mode), f.From
		if mode == "" {
			mode, from = "(profile)", "-"
		}
		fmt.Fprintln(t, strings.TrimRight(strings.Join([]string{mode, f.Key, f.Old, to, from, f.Why}, "\t"), "\t")) //nolint:errcheck // Flush tells
	}
	return t.Flush()
}

// write makes the new file, where one is wanted and there is something to
// write. It gets its own name, so that both can lie in one folder.
func (o ProfileLearnOptions) write(src []byte, name string, found []learn.Finding) error {
	changes := learn.Changes(found)
	if o.Write == "" {
		return nil
	}
	if len(changes) == 0 {
		_, err := fmt.Fprintf(o.Out, "nothing to change: %s is not written\n", o.Write)
		return err
	}
	base := strings.TrimSuffix(filepath.Base(o.Write), filepath.Ext(o.Write))
	if base != name {
		changes = append(changes, profile.Change{Key: "name", To: []string{base}})
	}
	text, err := profile.Edit(src, o.Profile, changes)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrConfig, err)
	}
	if err := writeNew(o.Write, append(history(name, found), text...)); err != nil {
		return fmt.Errorf("%w: write the learned profile: %w", ErrConfig, err)
	}
	_, err = fmt.Fprintf(o.Out, "wrote %s, the profile %s\n", o.Write, base)
	return err
}

// history is a comment that says what was learned, and from how much.
func history(name string, found []learn.Finding) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# Learned from recordings (benchvigil profile learn), the rest as in %s:\n", name)
	for _, f := range found {
		if len(f.To) > 0 && f.From != "" {
			fmt.Fprintf(&b, "#   %v from %s\n", f.Change, f.From)
		}
	}
	b.WriteString("\n")
	return b.Bytes()
}

// writeNew writes a file that is not there yet.
func writeNew(name string, text []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644) //nolint:gosec // no secret, and the daemon that reads it may be another user
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is already there: name a new file", name)
	}
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Sync(), f.Close())
}
