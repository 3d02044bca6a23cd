package enroll

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"

	"benchvigil/internal/config"
	"benchvigil/internal/profile"
)

// open reads the file, or begins one, and refuses one that is wrong already:
// what is wrong with the new station could not be told from it.
func (s *session) open(context.Context) (err error) {
	if err := writable(s.File); err != nil {
		return badFile("%w", err)
	}
	s.text, err = os.ReadFile(s.File)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if err := s.begin(); err != nil {
			return err
		}
	case err != nil:
		return badFile("%w", err)
	}
	if s.draft, err = config.ReadDraft(s.text); err != nil {
		return badFile("%s: %w", s.File, err)
	}
	if err := s.openProfiles(); err != nil {
		return err
	}
	if err := s.probe(); err != nil {
		return badFile("mend what is wrong already, then run benchvigil enroll again: %w", err)
	}
	s.sysfs = s.Sysfs(s.below(cmp.Or(s.Env(config.EnvName("usb.sysfs")), s.draft.Sysfs)))
	return nil
}

// begin is the head of a new file.
func (s *session) begin() error {
	s.say("There is no %s yet: it will be made.", s.File)
	name, err := s.answer(question{given: s.Bench, flag: "--bench", text: "Name of this bench", propose: "bench", check: config.CheckID})
	s.text = []byte("# benchvigil: this bench and its stations. " + s.Reference + "\n# explains every key; benchvigil config show prints what is in force.\nbench: " + name + "\n")
	return err
}

// openProfiles reads the device families, and lays out the shipped ones where
// there is no folder of them yet.
func (s *session) openProfiles() (err error) {
	dir := s.below(cmp.Or(s.Env(config.EnvName("profiles")), s.draft.Profiles))
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) && s.Kinds != nil {
		if err := os.CopyFS(dir, s.Kinds); err != nil {
			return badFile("lay out the shipped profiles: %w", err)
		}
		s.laidOut = true
		s.say("The shipped profiles were put into %s.", dir)
	}
	if s.families, err = profile.LoadDir(os.DirFS(dir)); err != nil {
		return badFile("%w", err)
	}
	if len(s.families) == 0 {
		return badFile("%s has no profile: put at least one device family there", dir)
	}
	return nil
}

// below places a relative path below the folder of the file.
func (s *session) below(path string) string {
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(s.File), path)
}

// probe checks the file with a station that cannot be wrong in it.
func (s *session) probe() error {
	e := config.Entry{ID: "enroll-tries-this"}
	for e.Profile = range s.families {
		break
	}
	text, err := config.WithStation(s.text, e)
	if err != nil {
		return err
	}
	_, err = s.parse(text)
	return err
}

func (s *session) parse(text []byte) (config.Config, error) {
	return config.Parse(bytes.NewReader(text), s.File, config.Options{Dir: filepath.Dir(s.File), Env: s.Env})
}

// write shows the entry, asks, and writes the file.
func (s *session) write(context.Context) error {
	text, err := config.WithStation(s.text, s.entry)
	if err != nil {
		return badFile("%w", err)
	}
	c, err := s.parse(text)
	if err != nil {
		return badFile("this station does not fit the configuration: %w", err)
	}
	if err := s.kept(c); err != nil {
		return badFile("%w", err)
	}
	if was, err := s.parse(s.text); err == nil && reflect.DeepEqual(was, c) {
		s.say("Nothing changes.")
		return nil
	}
	s.say("This will stand in %s:\n%s", s.File, added(s.text, text))
	switch ok, err := s.confirm("Write it", "y", "y writes these lines and keeps the file before as .bak; n leaves everything as it is"); {
	case err != nil:
		return err
	case !ok:
		n := s.nothing()
		s.say("%s.", strings.ToUpper(n[:1])+n[1:])
		return nil
	}
	if err := replace(s.File, s.text, text); err != nil {
		return badFile("%w", err)
	}
	s.say("Written. A benchvigil that runs takes it up by itself. Look at the whole bench next: benchvigil check --config %s", s.File)
	return nil
}

// kept makes sure that the station is there as it was meant, and all others
// still.
func (s *session) kept(c config.Config) error {
	ids := map[string]config.Station{}
	for _, st := range c.Stations {
		ids[st.ID] = st
	}
	for _, st := range s.draft.Stations {
		if _, ok := ids[st.ID]; !ok {
			return fmt.Errorf("station %q would be lost: the file is written in a way that cannot be added to; add the station by hand", st.ID)
		}
	}
	st, ok := ids[s.entry.ID]
	if a, has := st.Supply.Get(); !ok || st.Port != s.entry.Port || has != (s.entry.Address != "") || a.Address != s.entry.Address {
		return errors.New("the file is written in a way that cannot be added to; add the station by hand")
	}
	return nil
}

// added lists the lines of a text that the one before did not have.
func added(before, after []byte) string {
	had := map[string]int{}
	for line := range strings.Lines(string(before)) {
		had[line]++
	}
	var b strings.Builder
	for line := range strings.Lines(string(after)) {
		if had[line]--; had[line] < 0 {
			b.WriteString("    " + line)
		}
	}
	return strings.TrimRight(b.String(), "\r\n")
}

// replace puts a text in the place of a file at once, and keeps the one before
// beside it.
func replace(file string, before, after []byte) (err error) {
	mode := fs.FileMode(0o644)
	if info, err := os.Stat(file); err == nil {
		mode = info.Mode().Perm()
		if err := os.WriteFile(file+".bak", before, mode); err != nil {
			return fmt.Errorf("keep the file as it was: %w", err)
		}
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil { //nolint:gosec // a configuration is no secret
		return err
	}
	tmp, err := os.CreateTemp(filepath.Dir(file), "."+filepath.Base(file)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(tmp.Name())
		}
	}()
	_, err = tmp.Write(after)
	if err = errors.Join(err, tmp.Chmod(mode), tmp.Sync(), tmp.Close()); err != nil {
		return err
	}
	return os.Rename(tmp.Name(), file)
}
