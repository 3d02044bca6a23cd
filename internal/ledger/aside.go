package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/logkey"
)

// The beginning of the name of a database that was replaced by a copy, and the
// end of the name of one that is not whole yet.
const (
	replaced = "replaced-"
	partTail = ".part"
)

// tails are the files that belong to a database.
var tails = []string{"", "-wal", "-shm"}

// openSound opens the writer. A database that is damaged where the watch needs
// it is set aside, and a new one takes over what can be read.
func (l *Ledger) openSound(ctx context.Context) error {
	if info, err := os.Stat(l.folder.path(fileName)); l.folder.used && (err != nil || info.Size() == 0) {
		l.o.Logger.Warn("the ledger is missing though the folder was used; a new one is begun", logkey.File(l.folder.path(fileName)))
	}
	name, err := l.folder.unfinished()
	if err != nil {
		return err
	}
	if strings.HasPrefix(name, fileName+"."+replaced) {
		if name, err = "", l.folder.replace(name); err != nil {
			return err
		}
	}
	if name == "" {
		if err = l.openChecked(ctx); err == nil || !unreadable(err) {
			return err
		}
		var noted error
		if name, noted = l.folder.beginAside("damaged"); noted != nil {
			return errors.Join(err, noted)
		}
	}
	return l.begin(ctx, name, err)
}

// begin sets a damaged database aside and begins a new one with what can be
// read of it. Where that was cut short before, it is done again.
func (l *Ledger) begin(ctx context.Context, name string, why error) error {
	if _, err := l.folder.setAside(name); err != nil {
		return errors.Join(why, err)
	}
	if err := removeAll(l.folder.path(fileName)); err != nil {
		return errors.Join(why, err)
	}
	file := l.folder.path(name)
	l.aside = append(l.aside, file)
	l.o.Logger.Error("the ledger is damaged and was set aside; a new one is begun", logkey.File(file), logkey.Err(why))
	if err := l.openChecked(ctx); err != nil {
		return err
	}
	if err := l.salvage(ctx, file); err != nil {
		l.o.Logger.Error("what can be read of the damaged ledger was taken over only in part", logkey.File(file), logkey.Err(err))
	}
	if err := errors.Join(l.load(ctx), l.folder.finished()); err != nil {
		return errors.Join(err, l.write.Close())
	}
	return nil
}

// openChecked opens, migrates, checks and loads what the watch needs; after a
// run that met damage it checks everything.
func (l *Ledger) openChecked(ctx context.Context) (err error) {
	if err := private(l.folder.path(fileName)); err != nil {
		return err
	}
	if l.write, err = openWriter(l.folder.path(fileName)); err != nil {
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
	if err := l.checkSuspect(ctx); err != nil {
		return err
	}
	if err := checkNeeded(ctx, l.write); err != nil {
		return err
	}
	return l.load(ctx)
}

// checkSuspect looks at the whole database where damage was met before.
func (l *Ledger) checkSuspect(ctx context.Context) error {
	suspect := l.folder.path(suspectName)
	if _, err := os.Stat(suspect); err != nil {
		return nil //nolint:nilerr // there is none
	}
	findings, err := (&Reader{db: l.write}).checkDatabase(ctx)
	if err != nil {
		return err
	}
	if len(findings) > 0 {
		return fmt.Errorf("%w: %s", ErrDamaged, findings[0])
	}
	return os.Remove(suspect)
}

// load takes up where the store stands.
func (l *Ledger) load(ctx context.Context) error {
	l.rec = recorder{c: &l.counts}
	if err := l.rec.load(ctx, l.write); err != nil {
		return err
	}
	if l.rec.unread > 0 {
		l.o.Logger.Warn("some of the last readings cannot be read", logkey.Count(uint64(l.rec.unread)))
	}
	return nil
}

// needed are the tables that a watch cannot do without and that stay small; of
// those that grow, what it needs is read. The rest, years of it perhaps, is looked at after an unclean end
// beside the watch, by Check, and as it is read.
var (
	needed = []string{"station", "channel", "frame", "state"}
	reads  = []string{
		`SELECT max(id) FROM stretch`,
		`SELECT sum(length(body)) FROM alert WHERE sent IS NULL`,
		`SELECT sum(length(goal)) FROM watch WHERE outcome = 'armed'`,
	}
)

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
	for _, q := range reads {
		var n sql.NullInt64
		if err := db.QueryRowContext(ctx, q).Scan(&n); err != nil {
			return fmt.Errorf("check: %w", err)
		}
	}
	return nil
}

// asideName is the file that names the database that is being set aside, until
// another one is in its place: a start that finds it goes on from there. Else a
// power cut in between would leave less than can be read.
const asideName = "setting-aside"

// beginAside notes that the database is to be set aside, and under what name.
func (d *folder) beginAside(why string) (name string, err error) {
	name = fileName + "." + why + "-" + time.Now().UTC().Format("20060102T150405.000Z")
	part := d.path(asideName + ".part")
	if err := os.WriteFile(part, []byte(name), 0o600); err != nil {
		return "", err
	}
	return name, publish(part, d.path(asideName))
}

// unfinished is the name under which a database was being set aside, empty
// where none was.
func (d *folder) unfinished() (name string, err error) {
	b, err := os.ReadFile(d.path(asideName))
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	return string(b), err
}

// finished notes that another database is in the place of the one set aside.
func (d *folder) finished() error {
	if err := os.Remove(d.path(asideName)); err != nil {
		return err
	}
	return syncDir(d.dir)
}

// setAside renames the database, after what belongs to it, so that once the
// database has its new name the rest has, too. It reports whether there is one.
func (d *folder) setAside(name string) (found bool, err error) {
	if _, err := os.Stat(d.path(name)); err == nil {
		return true, nil // before the power cut
	}
	for _, tail := range []string{"-wal", "-shm", ""} {
		err := os.Rename(d.path(fileName+tail), d.path(name+tail))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return false, fmt.Errorf("set aside %s: %w", d.path(fileName), err)
		}
		found = err == nil
		if err := syncDir(d.dir); err != nil {
			return false, err
		}
	}
	if err := os.Remove(d.path(suspectName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, err
	}
	return found, nil
}

// replace puts a copy that is sound in the place of the database.
func (d *folder) replace(name string) error {
	if _, err := d.setAside(name); err != nil {
		return err
	}
	part := d.path(fileName + partTail)
	if _, err := os.Stat(part); err == nil {
		if err := publish(part, d.path(fileName)); err != nil {
			return err
		}
	}
	return d.finished()
}

// salvaged are the tables that are taken over, each after those it refers to.
// Traces stay in the damaged file: copying gigabytes would keep the watch
// waiting.
var salvaged = []string{"station", "channel", "stretch", "event", "mark", "fact", "frame", "state", "alert", "kept", "audit"}

// salvage takes over what can be read of a damaged database, and says how much.
func (l *Ledger) salvage(ctx context.Context, name string) error {
	if err := lengthen(name); err != nil {
		return err
	}
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
	l.o.Logger.Warn("what could be read was taken over, older traces are in the damaged file; these tables only in part", fields...)
	return atomically(ctx, l.write, func(tx *sql.Tx) error {
		_, err := rebuild(ctx, tx)
		return err
	})
}

// lengthen gives a file that was cut off the length that its head tells, with a
// hole at the end: SQLite reads nothing at all of one that is shorter.
func lengthen(name string) error {
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close() //nolint:errcheck // nothing was written
	// SQLite database file format, section 1.3: page size at 16, pages at 28.
	head := make([]byte, 32)
	if _, err := f.ReadAt(head, 0); err != nil || !bytes.HasPrefix(head, []byte("SQLite format 3\x00")) {
		return nil //nolint:nilerr // there is nothing to be read of it
	}
	size := int64(binary.BigEndian.Uint16(head[16:])) * int64(binary.BigEndian.Uint32(head[28:]))
	info, err := f.Stat()
	if err != nil || info.Size() >= size {
		return err
	}
	return f.Truncate(size)
}

// The steps over rows that cannot be read: a page holds some dozens.
const (
	mostSkip  = 64
	mostSkips = 200 // in vain, in a row
)

// copyTable copies the rows that can be read, feeling its way over damage. It
// reports whether that was all.
func copyTable(ctx context.Context, from, to *sql.DB, table string) (n int, whole bool) {
	last := int64(0)
	whole = true
	err := atomically(ctx, to, func(tx *sql.Tx) error {
		for skip, skips := int64(1), 0; skips < mostSkips; {
			added, end, err := copyRows(ctx, from, tx, table, last)
			n += added
			if err == nil || end < 0 {
				whole = err == nil && whole
				return nil
			}
			whole = false
			if added > 0 {
				skip, skips = 1, 0
			}
			last = max(last, end) + skip
			skip, skips = min(2*skip, mostSkip), skips+1
		}
		return nil
	})
	return n, whole && err == nil
}

// copyRows copies from behind a row on, until the end or an error, and returns
// the last one it read, -1 where not even the table can be found.
func copyRows(ctx context.Context, from *sql.DB, to *sql.Tx, table string, after int64) (n int, last int64, err error) {
	rows, err := from.QueryContext(ctx, `SELECT rowid, * FROM `+table+` WHERE rowid > ? ORDER BY rowid`, after)
	if err != nil {
		return 0, -1, err
	}
	defer rows.Close() //nolint:errcheck // Err tells
	columns, err := rows.Columns()
	if err != nil {
		return 0, -1, err
	}
	values, into := make([]any, len(columns)), make([]any, len(columns))
	for i := range values {
		into[i] = &values[i]
	}
	into[0] = &last
	insert := `INSERT OR IGNORE INTO ` + table + ` (` + strings.Join(columns[1:], ", ") + `) VALUES (?` + strings.Repeat(", ?", len(columns)-2) + `)`
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return n, last, err
		}
		res, err := to.ExecContext(ctx, insert, values[1:]...)
		if err != nil {
			continue // the row makes no sense
		}
		added, _ := res.RowsAffected()
		n += int(added)
	}
	return n, last, rows.Err()
}
