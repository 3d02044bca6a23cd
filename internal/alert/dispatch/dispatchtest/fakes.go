// Package dispatchtest has fakes of both sides of the dispatcher: an outbox in
// memory, an outlet that does as it is told, and one that writes what it is given
// into a file, for tests that kill the process.
package dispatchtest

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/dispatch"
)

// Row is an entry and what became of it.
type Row struct {
	dispatch.Entry
	Sent, Gone time.Time
	Why        string
	Notes      int // calls about it
}

// Store is an outbox in memory. Any goroutine may use it.
type Store struct {
	mu    sync.Mutex
	rows  map[string]*Row
	order []string
	err   error
	noted []string // keys in the order in which they were noted as sent
}

// Add commits entries, unless their keys are there.
func (s *Store) Add(entries ...dispatch.Entry) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.rows == nil {
		s.rows = map[string]*Row{}
	}
	for _, e := range entries {
		if s.rows[e.Key] == nil {
			s.rows[e.Key] = &Row{Entry: e}
			s.order = append(s.order, e.Key)
		}
	}
}

// Fail makes every call fail, until it is called with nil.
func (s *Store) Fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.err = err
}

// Row returns one row as it stands.
func (s *Store) Row(key string) Row {
	s.mu.Lock()
	defer s.mu.Unlock()
	if r := s.rows[key]; r != nil {
		return *r
	}
	return Row{}
}

// Unsent lists the keys that are neither sent nor given up.
func (s *Store) Unsent() (out []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, k := range s.order {
		if r := s.rows[k]; r.Sent.IsZero() && r.Gone.IsZero() {
			out = append(out, k)
		}
	}
	return out
}

// Noted lists the keys that were noted as sent, in that order.
func (s *Store) Noted() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.noted)
}

// Due is of dispatch.Store.
func (s *Store) Due(_ context.Context, by time.Time, limit int) (out []dispatch.Entry, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, k := range s.order {
		if r := s.rows[k]; r.Sent.IsZero() && r.Gone.IsZero() && !r.Due.After(by) {
			out = append(out, r.Entry)
		}
	}
	slices.SortStableFunc(out, func(a, b dispatch.Entry) int { return a.Due.Compare(b.Due) })
	return out[:min(len(out), limit)], s.err
}

// Sent is of dispatch.Store.
func (s *Store) Sent(_ context.Context, key string, at time.Time) error {
	return s.note(key, func(r *Row) {
		r.Sent = at
		s.noted = append(s.noted, key)
	})
}

// Failed is of dispatch.Store.
func (s *Store) Failed(_ context.Context, key string, again time.Time, why string) error {
	return s.note(key, func(r *Row) { r.Due, r.Why = again, why })
}

// GiveUp is of dispatch.Store.
func (s *Store) GiveUp(_ context.Context, key string, at time.Time, why string) error {
	return s.note(key, func(r *Row) { r.Gone, r.Why = at, why })
}

func (s *Store) note(key string, do func(*Row)) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return s.err
	}
	r := s.rows[key]
	if r == nil {
		return fmt.Errorf("no alert %q", key)
	}
	r.Attempts++
	r.Notes++
	do(r)
	return nil
}

// Delivery is a try to deliver.
type Delivery struct {
	At      time.Time
	Message alert.Message
	Err     error
}

// Outlet does as it is told, and remembers. It fails a try of a key that is on its
// way already: the dispatcher promises that there is none.
type Outlet struct {
	// Answer is what comes of a try; nil: it is delivered.
	Answer func(ctx context.Context, m *alert.Message) error

	mu    sync.Mutex
	going map[string]bool
	got   []Delivery
	twice []string
}

// String is of dispatch.Outlet.
func (o *Outlet) String() string { return "a fake" }

// Deliver is of dispatch.Outlet.
func (o *Outlet) Deliver(ctx context.Context, m *alert.Message) error {
	o.start(m.Key)
	at := time.Now()
	var err error
	if answer := o.answer(); answer != nil {
		err = answer(ctx, m)
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	delete(o.going, m.Key)
	o.got = append(o.got, Delivery{at, *m, err})
	return err
}

// Set changes the answer.
func (o *Outlet) Set(answer func(ctx context.Context, m *alert.Message) error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.Answer = answer
}

func (o *Outlet) answer() func(ctx context.Context, m *alert.Message) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.Answer
}

func (o *Outlet) start(key string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.going == nil {
		o.going = map[string]bool{}
	}
	if o.going[key] {
		o.twice = append(o.twice, key)
	}
	o.going[key] = true
}

// Twice lists keys that were on their way twice at the same time.
func (o *Outlet) Twice() []string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.twice)
}

// Tries lists all tries that ended.
func (o *Outlet) Tries() []Delivery {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.got)
}

// Delivered lists those that succeeded.
func (o *Outlet) Delivered() []Delivery {
	return slices.DeleteFunc(o.Tries(), func(d Delivery) bool { return d.Err != nil })
}

// Journal is an outlet that appends the key of each message to a file and syncs
// it, so that what was delivered is known after the process was killed.
type Journal struct {
	mu   sync.Mutex
	file *os.File
}

// NewJournal opens the file, and makes it if need be.
func NewJournal(path string) (*Journal, error) {
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	return &Journal{file: f}, nil
}

// String is of dispatch.Outlet.
func (j *Journal) String() string { return "a file" }

// Close closes the file.
func (j *Journal) Close() error { return j.file.Close() }

// Deliver is of dispatch.Outlet. A line is the key, and the keys of alerts that the
// message tells besides.
func (j *Journal) Deliver(_ context.Context, m *alert.Message) error {
	line := []string{m.Key}
	for _, x := range m.Missed {
		line = append(line, x.Key)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if _, err := j.file.WriteString(strings.Join(line, "\t") + "\n"); err != nil {
		return err
	}
	return j.file.Sync()
}

// ReadJournal counts how often each key was delivered, and returns the alerts that
// were told besides. A last line that is cut off was not delivered.
func ReadJournal(path string) (times map[string]int, told map[string]bool, err error) {
	times, told = map[string]int{}, map[string]bool{}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return times, told, nil
	}
	whole := string(text[:bytes.LastIndexByte(text, '\n')+1])
	for lines := bufio.NewScanner(strings.NewReader(whole)); lines.Scan(); {
		keys := strings.Split(lines.Text(), "\t")
		times[keys[0]]++
		for _, k := range keys[1:] {
			told[k] = true
		}
	}
	return times, told, err
}
