package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
)

// Errors that callers tell apart.
var (
	ErrLocked  = errors.New("in use by another benchvigil")
	ErrNewer   = errors.New("the ledger was made by a newer benchvigil")
	ErrDamaged = errors.New("damaged")
	ErrClosed  = errors.New("the ledger is closed")
	ErrMissing = errors.New("there is no ledger")
)

// Times of the writing, in real time.
const (
	flushEvery      = time.Second
	checkpointEvery = 5 * time.Second
	retainEvery     = time.Minute
)

// Retention says how long traces are kept; zero values set no limit. Traces of
// a station whose watch is armed are kept from its arming on.
type Retention struct {
	Age   time.Duration
	Bytes int64 // of the whole store
}

// Options say where the ledger is.
type Options struct {
	Dir    string // made where it is missing
	Retain Retention
	Now    func() time.Time // the bench clock, for retention by age; nil: time.Now
	Logger *zap.Logger
}

// Ledger is the open store. Its Reader sees what is committed.
type Ledger struct {
	*Reader
	o      Options
	folder *folder
	write  *sql.DB
	rec    recorder

	folding sync.Mutex // one folds at a time

	mu      sync.Mutex
	jobs    []job      // waiting for the next commit
	owed    []appended // events that could not be committed yet
	closed  bool
	wake    chan struct{} // holds one signal: something waits
	stop    chan struct{}
	stopped sync.WaitGroup

	trouble atomic.Pointer[Trouble]
	counts  counters
	stored  atomic.Int64 // bytes, as last measured
	aside   []string
}

// Trouble is what keeps the store from being written.
type Trouble struct {
	Since time.Time
	Err   error
}

// Counts are totals since the ledger was opened.
type Counts struct {
	Commits, Events, Readings, Frames, Blocks  uint64
	Failed                                     uint64 // commits that failed
	DroppedPoints, DroppedFacts, DroppedEvents uint64
	RetiredBlocks                              uint64
}

type counters struct {
	commits, events, readings, frames, blocks, failed atomic.Uint64
	droppedPoints, droppedFacts, droppedEvents        atomic.Uint64
	retired                                           atomic.Uint64
}

// Open takes the folder, brings its database up to date, looks at what the
// watch needs of it, and starts the writing. A database that cannot be read is set aside, named by Aside;
// what can still be read of events, marks, alerts and states is taken over.
func Open(ctx context.Context, o Options) (*Ledger, error) {
	if o.Logger == nil {
		return nil, errors.New("open ledger: Logger is needed")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	d, err := hold(o.Dir)
	if err != nil {
		return nil, fmt.Errorf("open ledger: %w", err)
	}
	l := &Ledger{o: o, folder: d, wake: make(chan struct{}, 1), stop: make(chan struct{})}
	if err := l.open(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("open ledger %s: %w", o.Dir, err), d.release(false))
	}
	l.stopped.Add(2)
	go l.writing()
	go l.keeping()
	return l, nil
}

func (l *Ledger) open(ctx context.Context) error {
	if err := l.openSound(ctx); err != nil {
		return err
	}
	read, err := openReaders(l.folder.path(fileName))
	if err != nil {
		return errors.Join(err, l.write.Close())
	}
	l.Reader = &Reader{db: read, path: l.folder.path(fileName)}
	return nil
}

// Aside names the files that could not be read and were set aside at the
// opening.
func (l *Ledger) Aside() []string { return l.aside }

// Unclean reports that whoever wrote here before did not close the ledger: it
// was killed, or the power failed.
func (l *Ledger) Unclean() bool { return l.folder.unclean }

// Trouble says what keeps the store from being written now, nil if nothing
// does.
func (l *Ledger) Trouble() *Trouble { return l.trouble.Load() }

// Counts returns the totals.
func (l *Ledger) Counts() Counts {
	c := &l.counts
	return Counts{
		Commits: c.commits.Load(), Events: c.events.Load(), Readings: c.readings.Load(), Frames: c.frames.Load(),
		Blocks: c.blocks.Load(), Failed: c.failed.Load(), DroppedPoints: c.droppedPoints.Load(),
		DroppedFacts: c.droppedFacts.Load(), DroppedEvents: c.droppedEvents.Load(), RetiredBlocks: c.retired.Load(),
	}
}

// Append commits events, in order, together with all that was recorded before
// them, and with the alerts that they raise; it returns when they are safe. An
// error means that they are not yet: they are kept and tried again, and their alerts should
// go out from memory. Where ctx ends first they are committed all the same.
func (l *Ledger) Append(ctx context.Context, events []bench.Event, alerts ...Alert) error {
	return l.Enter(events, alerts...)(ctx)
}

// Enter begins an Append and returns what waits for its end. What is entered
// first is committed first, so whoever must keep an order can enter under a
// lock and wait without it.
func (l *Ledger) Enter(events []bench.Event, alerts ...Alert) (wait func(context.Context) error) {
	if len(events)+len(alerts) == 0 {
		return func(context.Context) error { return nil }
	}
	return l.put(job{add: &appended{events: events, alerts: alerts}}).wait
}

// Flush commits all that was recorded before; it returns when it is safe.
func (l *Ledger) Flush(ctx context.Context) error { return l.submit(ctx, job{}) }

// Close writes what is left, folds nothing, and gives the folder up. Calling it
// again is harmless.
func (l *Ledger) Close() error {
	l.mu.Lock()
	if l.closed {
		l.mu.Unlock()
		return nil
	}
	l.closed = true
	l.mu.Unlock()
	close(l.stop)
	l.stopped.Wait()
	l.rec.settle()
	err := l.commit(context.Background(), true)
	_, checked := l.write.Exec(`PRAGMA wal_checkpoint(TRUNCATE)`)
	closed := errors.Join(l.Reader.Close(), l.write.Close())
	return errors.Join(err, checked, closed, l.folder.release(err == nil))
}
