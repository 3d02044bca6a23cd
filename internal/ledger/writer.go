package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// owedLimit bounds how many batches of events are kept while they cannot be written.
const owedLimit = 10_000

// suspectName is the file by which the next opening is told to look at the
// whole database.
const suspectName = "suspect"

// job is one thing to be committed, and who waits for it. Without any it only
// waits for a commit.
type job struct {
	add  *appended
	do   func(*sql.Tx) error
	done promise
}

// appended are events with the alerts they raise.
type appended struct {
	events []bench.Event
	alerts []Alert
}

// submit hands a job to the writer and waits for its end.
func (l *Ledger) submit(ctx context.Context, j job) error {
	return l.put(j).wait(ctx)
}

// put hands a job to the writer.
func (l *Ledger) put(j job) promise {
	j.done = make(promise, 1)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		j.done <- ErrClosed
		return j.done
	}
	l.jobs = append(l.jobs, j)
	l.hurry()
	return j.done
}

// promise holds how a job ended, once it did.
type promise chan error

func (p promise) wait(ctx context.Context) error {
	select {
	case err := <-p:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// hurry lets the writer begin at once.
func (l *Ledger) hurry() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

func (l *Ledger) takeJobs() []job {
	l.mu.Lock()
	defer l.mu.Unlock()
	jobs := l.jobs
	l.jobs = nil
	return jobs
}

// writing commits what waits, all of it together, until the ledger is closed.
func (l *Ledger) writing() {
	defer l.stopped.Done()
	tick := time.NewTicker(flushEvery)
	defer tick.Stop()
	for {
		select {
		case <-l.wake:
			_ = l.commit(context.Background(), false) // told to who waits, and as Trouble
		case <-tick.C:
			_ = l.commit(context.Background(), true)
		case <-l.stop:
			return
		}
	}
}

// commit writes what waits in one transaction. Where that fails, what was
// recorded and concluded is tried without the other jobs, then each of these alone, so that
// one that cannot be done harms no other.
func (l *Ledger) commit(ctx context.Context, all bool) error {
	jobs, adds, others := l.takeJobs(), l.owed, []job(nil)
	for _, j := range jobs {
		switch {
		case j.add != nil:
			adds = append(adds, *j.add)
		case j.do != nil:
			others = append(others, j)
		default:
			all = true
		}
	}
	b := l.rec.take(all, adds)
	if b.empty() && len(adds)+len(others) == 0 {
		answer(jobs, nil)
		return nil
	}
	err := l.transact(ctx, b, adds, others)
	if err != nil && len(others) > 0 {
		err = l.transact(ctx, b, adds, nil)
		l.alone(ctx, others)
	} else {
		answer(others, err)
	}
	l.owe(adds, err)
	l.rec.finish(b, err)
	l.judge(err)
	for _, j := range jobs {
		if j.do == nil {
			j.done <- err
		}
	}
	return err
}

func answer(jobs []job, err error) {
	for _, j := range jobs {
		j.done <- err
	}
}

// alone does each job in a transaction of its own.
func (l *Ledger) alone(ctx context.Context, jobs []job) {
	for _, j := range jobs {
		j.done <- atomically(ctx, l.write, j.do)
	}
}

func (l *Ledger) transact(ctx context.Context, b *batch, adds []appended, others []job) error {
	added := 0
	err := atomically(ctx, l.write, func(tx *sql.Tx) error {
		if err := b.write(tx); err != nil {
			return err
		}
		for _, a := range adds {
			n, err := l.rec.add(tx, a)
			if err != nil {
				return err
			}
			added += n
		}
		for _, j := range others {
			if err := j.do(tx); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		l.counts.commits.Add(1)
		l.counts.events.Add(uint64(added))
	}
	return err
}

// owe keeps events that could not be written for the next time.
func (l *Ledger) owe(adds []appended, err error) {
	if err == nil {
		l.owed = nil
		return
	}
	if over := len(adds) - owedLimit; over > 0 {
		for _, a := range adds[:over] {
			l.counts.droppedEvents.Add(uint64(len(a.events)))
		}
		adds = adds[over:]
	}
	l.owed = adds
}

// judge follows whether the store can be written, and tells what changes.
func (l *Ledger) judge(err error) {
	before := l.trouble.Load()
	if err == nil {
		if before != nil {
			l.trouble.Store(nil)
			l.o.Logger.Info("the ledger can be written again", logkey.Elapsed(time.Since(before.Since)))
		}
		return
	}
	l.counts.failed.Add(1)
	now := Trouble{Since: time.Now(), Err: fmt.Errorf("write ledger %s: %w", l.o.Dir, err)}
	if before != nil {
		now.Since = before.Since
	}
	if before == nil || before.Err.Error() != now.Err.Error() {
		l.o.Logger.Error("the ledger cannot be written: what happens is kept in memory", logkey.Err(now.Err))
	}
	l.trouble.Store(&now)
	if damaged(err) {
		l.suspect()
	}
}

// suspect has the next opening look at the whole database.
func (l *Ledger) suspect() {
	if err := os.WriteFile(l.folder.path(suspectName), nil, 0o600); err != nil && !errors.Is(err, os.ErrExist) {
		l.o.Logger.Error("the damage cannot be noted", logkey.Err(err))
	}
}
