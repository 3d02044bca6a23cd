package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/logkey"
	"benchvigil/internal/trace"
)

// blockLasts is how long a block is, in bench time; idleFor, in real time, is after
// how long a channel that fell silent is folded.
const (
	blockLasts = time.Minute
	idleFor    = 90 * time.Second
)

// keeping folds, retires and checkpoints until the ledger is closed.
func (l *Ledger) keeping() {
	defer l.stopped.Done()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		<-l.stop
		cancel()
	}()
	if l.folder.unclean {
		l.stopped.Add(1)
		go l.examine(ctx)
	}
	tick := time.NewTicker(flushEvery)
	defer tick.Stop()
	since := map[string]time.Time{"checkpoint": time.Now(), "retire": {}, "idle": time.Now()}
	due := func(what string, every time.Duration) bool {
		if time.Since(since[what]) < every {
			return false
		}
		since[what] = time.Now()
		return true
	}
	for {
		select {
		case <-tick.C:
		case <-l.stop:
			return
		}
		l.complain("fold", l.fold(ctx, due("idle", idleFor)))
		if due("retire", retainEvery) {
			l.complain("retire traces", l.retire(ctx))
			l.complain("be measured", l.measure(ctx))
		}
		if due("checkpoint", checkpointEvery) {
			l.complain("checkpoint", l.checkpoint(ctx))
		}
	}
}

// examineUpTo is the largest store that is examined beside the watch.
const examineUpTo = 1 << 30

// examine looks at the whole database after a run that did not end cleanly,
// while the watch goes on already. What it finds is healed at the next start.
func (l *Ledger) examine(ctx context.Context) {
	defer l.stopped.Done()
	used, err := l.Used(ctx)
	if err != nil {
		l.complain("be examined", err)
		return
	}
	if used > examineUpTo {
		l.o.Logger.Info("the ledger did not end cleanly and is too large to be examined beside the watch; ledger check does it at leisure")
		return
	}
	findings, err := l.checkDatabase(ctx)
	if err != nil {
		l.complain("be examined", err)
		return
	}
	if len(findings) > 0 {
		l.o.Logger.Error("the ledger is damaged; the next start sets it aside and takes over what can be read", zap.Strings("findings", findings))
		l.suspect()
	}
}

// complain logs what the keeper could not do. It tries again; that the store
// cannot be written is told elsewhere.
func (l *Ledger) complain(what string, err error) {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, ErrClosed) || l.Trouble() != nil {
		return
	}
	l.o.Logger.Warn("the ledger could not "+what, logkey.Err(err))
}

// checkpoint moves what is in the write-ahead log into the database, without
// holding off who writes.
func (l *Ledger) checkpoint(ctx context.Context) error {
	_, err := l.Reader.db.ExecContext(ctx, `PRAGMA wal_checkpoint(PASSIVE)`)
	return err
}

// fold turns pieces into blocks, of each channel that has a block's worth, or
// has fallen silent.
func (l *Ledger) fold(ctx context.Context, idle bool) error {
	l.folding.Lock()
	defer l.folding.Unlock()
	var errs error
	for _, ps := range l.rec.due(idle) {
		if err := l.foldPieces(ctx, ps); err != nil {
			errs = errors.Join(errs, err)
		}
	}
	return errs
}

// due picks what is to be folded.
func (r *recorder) due(idle bool) (out [][]piece) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, a := range r.lanes {
		ps := a.block()
		if len(ps) > 0 && (idle && !a.grown || len(ps) < len(a.pieces) || a.full(ps)) {
			out = append(out, ps)
		}
		a.grown = a.grown && !idle
	}
	return out
}

// block is the longest row of pieces that can make one block.
func (a *lane) block() []piece {
	points := 0
	for i, p := range a.pieces {
		points += p.n
		if p.stretch != a.pieces[0].stretch || points > trace.MaxPoints || i > 0 && a.full(a.pieces[:i]) {
			return a.pieces[:i:i]
		}
	}
	return a.pieces[:len(a.pieces):len(a.pieces)]
}

func (a *lane) full(ps []piece) bool {
	lasts := blockLasts.Milliseconds()
	if a.first > 0 {
		lasts = a.first
	}
	return ps[len(ps)-1].last-ps[0].first >= lasts-500
}

// foldPieces writes one block. Pieces that cannot be read any more are left
// out.
func (l *Ledger) foldPieces(ctx context.Context, ps []piece) error {
	var points []trace.Point
	for _, p := range ps {
		more, err := trace.Decode(p.data)
		if err != nil {
			l.counts.droppedPoints.Add(uint64(p.n))
			continue
		}
		points = append(points, more...)
	}
	a, last := ps[0].lane, ps[len(ps)-1]
	b, err := pack(points, a.channel.Kind)
	if err != nil {
		return fmt.Errorf("fold channel %d: %w", a.id, err)
	}
	err = l.submit(ctx, job{do: func(tx *sql.Tx) error {
		if err := b.write(tx, a.id, last.stretch); err != nil {
			return fmt.Errorf("add block: %w", err)
		}
		if _, err := tx.Exec(`UPDATE channel SET folded = ? WHERE id = ?`, last.number, a.id); err != nil {
			return fmt.Errorf("move on channel %d: %w", a.id, err)
		}
		// A frame is needed while it holds a piece that is in no block.
		_, err := tx.Exec(`DELETE FROM frame WHERE id < (SELECT coalesce(max(id), 0) FROM frame WHERE id <= ?)`, l.rec.oldest(a, len(ps)))
		return err
	}})
	if err == nil {
		l.rec.folded(a, len(ps))
		l.counts.blocks.Add(1)
	}
	return err
}

// oldest is the first piece that is in no block, once n of a lane are.
func (r *recorder) oldest(folding *lane, n int) int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	least := r.piece + 1
	for _, a := range r.lanes {
		ps := a.pieces
		if a == folding {
			ps = ps[n:]
		}
		if len(ps) > 0 {
			least = min(least, ps[0].number)
		}
	}
	return least
}

func (r *recorder) folded(a *lane, n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	a.pieces, a.first = append([]piece(nil), a.pieces[n:]...), 0
}

// block is a minute of a channel, packed.
type block struct {
	start, end   int64
	n            int
	data, rollup []byte // no roll-up but of readings
}

func pack(points []trace.Point, k trace.Kind) (b block, err error) {
	if b.data, err = trace.Encode(points); err != nil {
		return b, err
	}
	b.start, b.end, b.n = points[0].At, points[len(points)-1].At, len(points)
	if k == trace.Readings {
		b.rollup, err = trace.EncodeRollups(trace.Rollups(points))
	}
	return b, err
}

func (b *block) write(tx *sql.Tx, channel, stretch int64) error {
	res, err := tx.Exec(`INSERT INTO block (channel, stretch, start, end, points, data) VALUES (?, ?, ?, ?, ?, ?)`,
		channel, stretch, b.start, b.end, b.n, b.data)
	if err != nil || b.rollup == nil {
		return err
	}
	id, err := res.LastInsertId()
	if err != nil {
		return err
	}
	_, err = tx.Exec(`INSERT INTO rollup (id, data) VALUES (?, ?)`, id, b.rollup)
	return err
}
