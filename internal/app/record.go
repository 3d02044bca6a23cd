package app

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/logkey"
	"benchvigil/internal/recording"
)

// flushEvery bounds what a crash can take from a file of the record.
const flushEvery = time.Second

// record writes what stations are given and what they conclude to two files,
// either of which may be missing. A file that cannot be written any more is
// named once, counted, and tried again: watching goes on without it.
type record struct {
	bench        string
	log          *zap.Logger
	observations *sheet
	events       *sheet
	writer       *recording.Writer
	followers    followers
	memory       memory
	store        *ledger.Ledger           // nil: none is kept
	past         *ledger.Reader           // of the same ledger, for whoever asks about the past; nil: none is kept
	told         map[string][]bench.Event // the events that the ledger had last, by station, the newest first
}

// openRecord opens the files. Empty names mean no file.
func openRecord(p *Plan) (*record, error) {
	r := &record{bench: p.Bench, log: p.Logger}
	var err error
	if r.store, err = openLedger(p); err != nil {
		return nil, err
	}
	if r.store != nil {
		if r.past, err = ledger.OpenReader(context.Background(), p.Data); err != nil {
			return nil, errors.Join(fmt.Errorf("%w: %w", ErrRecord, err), r.close())
		}
	}
	r.recallStore(p)
	r.recallTold()
	if p.Events != "" {
		r.recall(p.Events)
		s, err := openSheet(p.Events, os.O_APPEND)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("%w: %w", ErrRecord, err), r.close())
		}
		r.events = s
	}
	if p.Record == "" {
		return r, nil
	}
	s, err := openSheet(p.Record, os.O_EXCL)
	if errors.Is(err, fs.ErrExist) {
		err = fmt.Errorf("%s is already there: a recording holds one watch, choose another name or move it away", p.Record)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("%w: %w", ErrRecord, err), r.close())
	}
	r.observations = s
	if r.writer, err = recording.NewWriter(s, p.header()); err != nil {
		return nil, errors.Join(fmt.Errorf("%w: %w", ErrRecord, err), r.close())
	}
	return r, nil
}

// recall learns from the file of events as the last watch left it. Without it
// the limits of the profiles hold, so it is no reason not to watch.
func (r *record) recall(name string) {
	torn, err := r.memory.recallFile(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		r.log.Warn("nothing is learnt from the events of before", logkey.File(name), logkey.Err(err))
	case torn > 0:
		r.log.Warn("lines that are no events are passed over", logkey.File(name), logkey.Count(torn))
	}
}

// observe writes one observation and gives it to those who follow live; it is
// safe for concurrent use.
func (r *record) observe(o bench.Observation) {
	if r.store != nil {
		r.store.Record(o)
	}
	followed := r.followers.any()
	if r.observations == nil && !followed {
		return
	}
	b, err := recording.Encode(o)
	if err == nil && followed {
		r.followers.give(o.Station, b)
	}
	if r.observations == nil {
		return
	}
	if err == nil {
		err = r.observations.line(b)
	}
	r.note(r.observations, err)
}

// rewire says how stations are wired that begin from now on.
func (r *record) rewire(h recording.Header) {
	b, err := recording.EncodeHeader(h)
	if err == nil {
		for id := range h.Stations {
			r.followers.give(id, b)
		}
	}
	if r.observations == nil {
		return
	}
	if err == nil {
		err = r.observations.line(b)
	}
	r.note(r.observations, err)
}

// tell writes events; it is safe for concurrent use. They are few and matter
// most, so they do not wait in a buffer. The desk has committed them before.
func (r *record) tell(events []bench.Event) {
	for _, e := range events {
		r.memory.add(e.Data.Ended)
		r.memory.follow(newsOf(e))
	}
	if r.events == nil {
		return
	}
	for _, e := range events {
		b, err := e.CloudEvent(r.bench)
		if err == nil {
			err = r.events.line(b)
		}
		r.note(r.events, err)
	}
	r.note(r.events, r.events.flush())
}

// run flushes until ctx ends, then closes the files.
func (r *record) run(ctx context.Context) error {
	tick := time.NewTicker(flushEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			if r.observations != nil {
				r.note(r.observations, r.observations.flush())
			}
		case <-ctx.Done():
			r.followers.close()
			if err := r.close(); err != nil {
				return fmt.Errorf("%w: %w", ErrRecord, err)
			}
			return nil
		}
	}
}

func (r *record) close() error {
	var errs []error
	for _, s := range []*sheet{r.observations, r.events} {
		if s != nil {
			errs = append(errs, s.close())
		}
	}
	if r.past != nil {
		errs = append(errs, r.past.Close())
	}
	if r.store != nil {
		errs = append(errs, r.store.Close())
	}
	return errors.Join(errs...)
}

// health is nil while everything that should be written is.
func (r *record) health() error {
	for _, s := range []*sheet{r.observations, r.events} {
		if s == nil {
			continue
		}
		if err := s.trouble(); err != nil {
			return fmt.Errorf("%w: %w", ErrRecord, err)
		}
	}
	return r.storeTrouble()
}

// note logs a trouble when it begins, changes or ends.
func (r *record) note(s *sheet, err error) {
	changed, lost := s.note(err)
	switch {
	case !changed:
	case err != nil:
		r.log.Error("the record cannot be written: watching goes on without it", logkey.File(s.name), logkey.Err(err))
	default:
		r.log.Info("the record is written again", logkey.File(s.name), logkey.Count(lost))
	}
}

// sheet is one file that lines are added to, by several goroutines.
type sheet struct {
	name string

	mu   sync.Mutex // guards all below
	f    *os.File
	w    *bufio.Writer
	err  error  // the trouble that stands
	lost uint64 // lines lost since it began
}

func openSheet(name string, how int) (*sheet, error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_WRONLY|how, 0o600) //nolint:gosec // the user names the file
	if err != nil {
		return nil, err
	}
	if err := lock(f); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return &sheet{name: name, f: f, w: bufio.NewWriterSize(f, 64<<10)}, nil
}

// Write adds bytes as they are.
func (s *sheet) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.w.Write(b)
}

func (s *sheet) line(b []byte) error {
	_, err := s.Write(append(slices.Clip(b), '\n')) // others may hold b
	return err
}

// flush writes the buffer out. A buffer that failed once refuses for ever, so
// it is replaced: what was in it is lost, and counted by note.
func (s *sheet) flush() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.w.Flush()
	if err != nil {
		s.w.Reset(s.f)
	}
	return err
}

func (s *sheet) close() error {
	err := s.flush()
	return errors.Join(err, s.f.Sync(), s.f.Close())
}

func (s *sheet) note(err error) (changed bool, lost uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	changed = (err == nil) != (s.err == nil) || err != nil && err.Error() != s.err.Error()
	s.err = err
	lost = s.lost
	if err != nil {
		s.lost++
	} else if changed {
		s.lost = 0
	}
	return changed, lost
}

func (s *sheet) trouble() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}
