package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/logkey"
)

// openLedger opens the store of a running bench; nil where no folder is named.
func openLedger(p *Plan) (*ledger.Ledger, error) {
	if p.Data == "" {
		return nil, nil
	}
	l, err := ledger.Open(context.Background(), ledger.Options{Dir: p.Data, Retain: p.Retain, Now: p.Now, Logger: p.Logger})
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrRecord, err)
	}
	return l, nil
}

// mostRecalled bounds what is read of earlier work: more than is remembered.
const mostRecalled = 10_000

// earlierEvents is the file of events that the service kept in its folder
// before it had a ledger there. It is only read.
const earlierEvents = "events.jsonl"

// recallStore learns from the ledger what the file of events does not tell, and
// from the file of events of an earlier version what the ledger does not.
func (r *record) recallStore(p *Plan) {
	if r.store == nil || p.Events != "" {
		return
	}
	r.recall(filepath.Join(p.Data, earlierEvents))
	if err := r.memory.recallLedger(r.store.Reader); err != nil {
		r.log.Warn("not all is learnt from the work of before", logkey.File(p.Data), logkey.Err(err))
	}
	if err := r.recallGoals(); err != nil {
		r.log.Warn("goals that were armed before may be forgotten", logkey.File(p.Data), logkey.Err(err))
	}
}

// recallLedger is recall of the work that a ledger tells of. What can be read
// is learnt beside an error too.
func (m *memory) recallLedger(r *ledger.Reader) error {
	stays, err := r.Stays(context.Background(), mostRecalled)
	for _, s := range stays {
		m.add(&s)
	}
	return err
}

// recallGoals follows the watches of the ledger that are armed still.
func (r *record) recallGoals() error {
	var errs error
	for station, w := range r.memory.allForgot() {
		errs = errors.Join(errs, r.followGoal(station, w.Armed))
	}
	for w, err := range r.store.Watches(context.Background(), ledger.Query{Outcome: "armed"}) {
		if err != nil {
			return errors.Join(errs, err)
		}
		g, err := bench.ParseGoal(w.Goal)
		if err != nil {
			return errors.Join(errs, err)
		}
		r.memory.follow(&bench.WatchNews{Station: w.Station, Armed: &bench.WatchView{Goal: g, By: w.By, Armed: w.Armed}})
	}
	return errs
}

// followGoal follows what the ledger tells of a goal that was armed before it
// began: the list of its watches does not have that one.
func (r *record) followGoal(station string, armed time.Time) (errs error) {
	for e, err := range r.store.Events(context.Background(), ledger.Query{Station: station, From: armed}) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		r.memory.follow(newsOf(e))
	}
	return errs
}

// begin notes that a station begins to be followed.
func (r *record) begin(sp StationPlan, at time.Time) {
	if r.store != nil {
		r.store.Begin(sp.ID, at, r.wiring(sp))
	}
}

// storeTrouble is nil while the ledger can be written, or where none is kept.
func (r *record) storeTrouble() error {
	if r.store == nil || r.store.Trouble() == nil {
		return nil
	}
	return fmt.Errorf("%w: %w", ErrRecord, r.store.Trouble().Err)
}

// DataOptions say which ledger a command is about.
type DataOptions struct {
	Data   string // the folder that run --data writes
	Out    io.Writer
	Logger *zap.Logger
}

// CheckLedger looks at everything and says on Out what is wrong.
func CheckLedger(ctx context.Context, o DataOptions) error {
	return reading(ctx, o.Data, func(r *ledger.Reader) error {
		findings, err := r.Check(ctx)
		if err != nil {
			return err
		}
		for _, f := range findings {
			fmt.Fprintln(o.Out, f) //nolint:errcheck // the exit code tells
		}
		if len(findings) > 0 {
			return fmt.Errorf("%w: %s: %d things cannot be read", ErrLedger, o.Data, len(findings))
		}
		_, err = fmt.Fprintf(o.Out, "%s: everything can be read\n", o.Data)
		return err
	})
}

// RebuildLedger makes the runs and watches again from the events and marks. No
// watch may be using the ledger.
func RebuildLedger(ctx context.Context, o DataOptions) error {
	return writing(ctx, o, func(l *ledger.Ledger) error {
		damaged, err := l.Rebuild(ctx)
		for _, d := range damaged {
			fmt.Fprintln(o.Out, d) //nolint:errcheck // the exit code tells
		}
		if err == nil && len(damaged) > 0 {
			err = fmt.Errorf("%w: %s: %d events cannot be read and were passed over", ErrLedger, o.Data, len(damaged))
		}
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(o.Out, "%s: runs and watches are made again\n", o.Data)
		return err
	})
}

// VacuumLedger gives the room of deleted traces back to the disk. No watch may
// be using the ledger.
func VacuumLedger(ctx context.Context, o DataOptions) error {
	return writing(ctx, o, func(l *ledger.Ledger) error {
		if err := l.Vacuum(ctx); err != nil {
			return fmt.Errorf("%w: %w", ErrRecord, err)
		}
		used, err := l.Used(ctx)
		if err == nil {
			_, err = fmt.Fprintf(o.Out, "%s: takes %.1f MB now\n", o.Data, float64(used)/1e6)
		}
		return err
	})
}

// BackUp writes the ledger as it is now into a new file, also while a watch
// writes to it.
func BackUp(ctx context.Context, o DataOptions, file string) error {
	return reading(ctx, o.Data, func(r *ledger.Reader) error {
		if err := r.Backup(ctx, file); err != nil {
			return fmt.Errorf("%w: %w", ErrRecord, err)
		}
		_, err := fmt.Fprintf(o.Out, "%s: backed up to %s\n", o.Data, file)
		return err
	})
}

// Restore puts a backup in the place of a ledger that no watch is using.
func Restore(ctx context.Context, o DataOptions, file string) error {
	if err := enter(o.Data); err != nil {
		return err
	}
	aside, err := ledger.Restore(ctx, o.Data, file)
	switch err = errors.Join(err, handOver(o.Data)); {
	case errors.Is(err, ledger.ErrDamaged), errors.Is(err, ledger.ErrNewer):
		return fmt.Errorf("%w: %w", ErrLedger, err)
	case err != nil:
		return fmt.Errorf("%w: %w", ErrRecord, err)
	}
	if aside != "" {
		fmt.Fprintf(o.Out, "what was there is now %s\n", aside) //nolint:errcheck // the next line tells
	}
	_, err = fmt.Fprintf(o.Out, "%s: restored from %s\n", o.Data, file)
	return err
}

// DataFolder is the ledger that a command is about: the one that is named, else
// that of the service where the program is installed, else "".
func DataFolder(named string) string {
	if named == "" && installed() {
		return serviceFolder
	}
	return named
}

// enter tells whoever may not look into a folder who may. That there is none is
// for others to tell.
func enter(dir string) error {
	f, err := os.Open(dir) //nolint:gosec // the user names the folder
	if errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("%w: %w: it belongs to another user, such as the service: use sudo", ErrLedger, err)
	}
	if err == nil {
		err = f.Close()
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// reading opens a ledger for reading.
func reading(ctx context.Context, dir string, do func(*ledger.Reader) error) (err error) {
	if err := enter(dir); err != nil {
		return err
	}
	r, err := ledger.OpenReader(ctx, dir)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrLedger, err)
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	return do(r)
}

// writing opens a ledger that no watch is using.
func writing(ctx context.Context, o DataOptions, do func(*ledger.Ledger) error) (err error) {
	if err := enter(o.Data); err != nil {
		return err
	}
	// A mistyped folder must not get a ledger of its own; a damaged one is set
	// aside by the opening.
	if err := reading(ctx, o.Data, func(*ledger.Reader) error { return nil }); errors.Is(err, ledger.ErrMissing) {
		return err
	}
	l, err := ledger.Open(ctx, ledger.Options{Dir: o.Data, Logger: o.Logger})
	if err != nil {
		return errors.Join(fmt.Errorf("%w: %w", ErrRecord, err), handOver(o.Data))
	}
	defer func() { err = errors.Join(err, l.Close(), handOver(o.Data)) }()
	return do(l)
}
