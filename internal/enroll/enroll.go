// Package enroll leads a technician through entering a station: which port its
// cable is in, which instrument feeds it and by which query that answers,
// which family it is, and whether readings come. It owns the questions, the
// words, and what is written into the configuration in the end. Every question
// has a flag that answers it, so that programs can enroll too.
//
// Nothing is sent to what stands on a port: only the bus is looked at. An
// instrument is asked *IDN? and measuring queries, and only once somebody chose
// it, or where its kind says that it is one (USBTMC). The file is replaced at
// once, and only by one that was read and checked.
package enroll

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"time"

	"benchvigil/internal/config"
	"benchvigil/internal/profile"
	"benchvigil/internal/supply"
	"benchvigil/internal/usb"
)

// None is the answer that a station has no port, or no supply.
const None = "none"

// Options of Run. Answers that are empty are asked for, or with Yes taken as
// they are proposed.
type Options struct {
	File    string // of the configuration; made where there is none
	Bench   string // name of the bench, for a new file
	Station string // ID
	Name    string
	Port    string // path, or None; empty: found by the cable
	Supply  string // address, or None
	Profile string
	VBUS    bool // USB bus power feeds the board too
	Yes     bool // take what is proposed

	VBUSGiven bool   // VBUS is an answer, also where it is false
	Reference string // file that explains the keys, for a new file

	In       io.Reader
	Terminal bool // a person types In as it goes, not a file or a pipe
	Out      io.Writer

	Root  fs.FS                                                               // of the computer's files, for dev/…
	Sysfs func(root string) fs.FS                                             // opens the tree that the configuration names
	Look  func(ctx context.Context, sysfs fs.FS) (map[string]usb.Seen, error) // what stands on the bus now
	Env   func(name string) string                                            // as config.Options.Env
	Kinds fs.FS                                                               // shipped profiles, for a folder that has none
	Ask   func(ctx context.Context, address, query string, timeout time.Duration) (string, error)

	Patience time.Duration // with a cable; default 3 min
	Live     time.Duration // how long readings are shown; default 3 s
}

// session is one run of the questions.
type session struct {
	Options
	talk
	draft    config.Draft
	text     []byte // of the file as it is
	laidOut  bool   // the shipped profiles were written
	families map[string]*profile.Profile
	sysfs    fs.FS
	entry    config.Entry
	seen     usb.Seen // what stands on the port
}

// Run asks, and writes the station into the configuration.
func Run(ctx context.Context, o Options) error {
	o.Patience, o.Live = cmp.Or(o.Patience, 3*time.Minute), cmp.Or(o.Live, 3*time.Second)
	o.Reference = cmp.Or(o.Reference, "configs/benchvigil.yaml")
	if o.Ask == nil {
		o.Ask = supply.Ask
	}
	s := &session{Options: o, talk: newTalk(ctx, o.In, o.Out, o.Yes)}
	for _, step := range []func(context.Context) error{
		s.open, s.station, s.port, s.supply, s.family, s.live, s.write,
	} {
		err := ctx.Err()
		if err == nil {
			err = step(ctx)
		}
		if err != nil {
			return s.ends(ctx, err)
		}
	}
	return nil
}

// ends is the error of a conversation that ends early: where somebody ended
// it, what became of the file.
func (s *session) ends(ctx context.Context, err error) error {
	if ctx.Err() == nil {
		return err
	}
	s.say("")
	return &fault{ctx.Err(), errors.New("ended; " + s.nothing())}
}

// nothing says that nothing was written.
func (s *session) nothing() string {
	if s.laidOut {
		return "nothing was written but the shipped profiles"
	}
	return "nothing was written"
}

// station picks or names the station.
func (s *session) station(context.Context) error {
	text := "Short name of the station"
	if len(s.draft.Stations) > 0 {
		text += ", a new one or one of these"
		s.say("Stations of %s so far:", s.File)
		for _, st := range s.draft.Stations {
			s.say("  %-12s %-10s %s", st.ID, cmp.Or(st.Port, "no port"), st.Name)
		}
	}
	id, err := s.answer(question{
		given: s.Station, flag: "--station", text: text, help: "what commands and pages call the station: small letters, digits and dashes",
		propose: s.freeID(), check: config.CheckID,
	})
	if err != nil {
		return err
	}
	s.entry.ID, s.entry.Name = id, s.Name
	if old := s.known(id); old != nil {
		s.say("%s is there already: its lines will be written anew.", id)
		return nil
	}
	if s.Name == "" && !s.Yes {
		s.entry.Name, err = s.answer(question{flag: "--name", text: "What people call it", propose: id, help: "shown beside the short name, such as Left, port 1; return alone leaves it out"})
	}
	if s.entry.Name == id {
		s.entry.Name = ""
	}
	return err
}

// known is the station of that ID, nil where there is none.
func (s *session) known(id string) *config.DraftStation {
	i := slices.IndexFunc(s.draft.Stations, func(st config.DraftStation) bool { return st.ID == id })
	if i < 0 {
		return nil
	}
	return &s.draft.Stations[i]
}

// freeID proposes a name that is not taken.
func (s *session) freeID() string {
	for n := 1; ; n++ {
		if id := fmt.Sprintf("station-%d", n); s.known(id) == nil {
			return id
		}
	}
}

// owner is the other station that has the port, "" for none.
func (s *session) owner(port string) string {
	for _, st := range s.draft.Stations {
		if st.Port == port && st.ID != s.entry.ID {
			return st.ID
		}
	}
	return ""
}
