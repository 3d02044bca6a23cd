package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/logkey"
)

// tails are the files that belong to a database.
var tails = []string{"", "-wal", "-shm"}

// openSound opens the writer. A database that is damaged where the watch needs
// it is set aside, and a new one takes over what can be read.
func (l *Ledger) openSound(ctx context.Context) error {
	err := l.openChecked(ctx)
	if err == nil || !damaged(err) && !errors.Is(err, ErrDamaged) {
		return err
	}
	name, moved := l.folder.setAside("damaged")
	if moved != nil {
		return errors.Join(err, moved)
	}
	l.aside = append(l.aside, name)
	l.o.Logger.Error("the ledger is damaged and was set aside; a new one is begun", logkey.File(name), logkey.Err(err))
	if err := l.openChecked(ctx); err != nil {
		return err
	}
	return l.salvage(ctx, name)
}

// openChecked opens, migrates, and checks what the watch needs; after a run
// that met damage, everything.
func (l *Ledger) openChecked(ctx context.Context) (err error) {
	path := l.folder.path(fileName)
	if l.write, err = openWriter(path); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, l.write.Close())
		}
	}()
	if err := migrate(ctx, l.write); err != nil {
		return err
	}
	suspect := l.folder.path(suspectName)
	if _, gone := os.Stat(suspect); gone == nil {
		findings, err := (&Reader{db: l.write}).checkDatabase(ctx)
		if err != nil {
			return err
		}
		if len(findings) > 0 {
			return fmt.Errorf("%w: %s", ErrDamaged, findings[0])
		}
		return os.Remove(suspect)
	}
	return checkNeeded(ctx, l.write)
}

// needed are the tables that a watch cannot do without. They are small; the
// traces, events and marks are looked at only by Check and as they are read.
var needed = []string{"station", "channel", "stretch", "frame", "state", "alert", "watch"}

func checkNeeded(ctx context.Context, db *sql.DB) error {
	for _, table := range needed {
		if err := each(ctx, db, `PRAGMA integrity_check(`+table+`)`, func(s scan) error {
			var text string
			if err := s(&text); err != nil {
				return err
			}
			if text != "ok" {
				return fmt.Errorf("%w: %s: %s", ErrDamaged, table, text)
			}
			return nil
		}); err != nil {
			return fmt.Errorf("check %s: %w", table, err)
		}
	}
	return nil
}

// setAside renames the database, with what belongs to it, and returns the new
// name; empty where there is none.
func (d *folder) setAside(why string) (string, error) {
	name := fileName + "." + why + "-" + time.Now().UTC().Format("20060102T150405.000Z")
	found := false
	for _, tail := range tails {
		switch err := os.Rename(d.path(fileName+tail), d.path(name+tail)); {
		case err == nil:
			found = true
		case !errors.Is(err, fs.ErrNotExist):
			return "", fmt.Errorf("set aside %s: %w", d.path(fileName), err)
		}
	}
	if err := os.Remove(d.path(suspectName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	if !found {
		return "", syncDir(d.dir)
	}
	return d.path(name), syncDir(d.dir)
}

// salvaged are the tables that are taken over, each after those it refers to.
// Traces stay in the damaged file: copying gigabytes would keep the watch
// waiting.
var salvaged = []string{"station", "channel", "stretch", "event", "mark", "fact", "frame", "state", "alert"}

// salvage takes over what can be read of a damaged database, and says how much.
func (l *Ledger) salvage(ctx context.Context, name string) error {
	old, err := openDB(name, "_query_only=1")
	if err != nil {
		return err
	}
	defer old.Close() //nolint:errcheck // it was only read
	fields := []zap.Field{logkey.File(name)}
	for _, table := range salvaged {
		n, whole := copyTable(ctx, old, l.write, table)
		if !whole {
			fields = append(fields, zap.Int(table, n))
		}
	}
	l.o.Logger.Warn("what could be read was taken over; these tables only in part", fields...)
	return atomically(ctx, l.write, func(tx *sql.Tx) error {
		_, err := rebuild(ctx, tx)
		return err
	})
}

// copyTable copies a table from its beginning as far as it can be read, then
// from its end. It reports whether that was all.
func copyTable(ctx context.Context, from, to *sql.DB, table string) (n int, whole bool) {
	err := atomically(ctx, to, func(tx *sql.Tx) error {
		forward, err := copyRows(ctx, from, tx, table, "")
		n, whole = forward, err == nil
		if !whole {
			back, _ := copyRows(ctx, from, tx, table, " DESC") // ends at the damage as well
			n += back
		}
		return nil
	})
	return n, whole && err == nil
}

func copyRows(ctx context.Context, from *sql.DB, to *sql.Tx, table, order string) (n int, err error) {
	rows, err := from.QueryContext(ctx, `SELECT * FROM `+table+` ORDER BY rowid`+order)
	if err != nil {
		return 0, err
	}
	defer rows.Close() //nolint:errcheck // Err tells
	columns, err := rows.Columns()
	if err != nil {
		return 0, err
	}
	values, into := make([]any, len(columns)), make([]any, len(columns))
	for i := range values {
		into[i] = &values[i]
	}
	insert := `INSERT OR IGNORE INTO ` + table + ` (` + strings.Join(columns, ", ") + `) VALUES (?` + strings.Repeat(", ?", len(columns)-1) + `)`
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return n, err
		}
		res, err := to.ExecContext(ctx, insert, values...)
		if err != nil {
			continue // the row makes no sense
		}
		added, _ := res.RowsAffected()
		n += int(added)
	}
	return n, rows.Err()
}
