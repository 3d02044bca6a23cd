package ledger

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"benchvigil/internal/trace"
)

// Check looks at everything and says what is wrong, each finding in a line;
// none means that all can be read.
func (r *Reader) Check(ctx context.Context) (findings []string, err error) {
	if findings, err = r.checkDatabase(ctx); err != nil {
		return nil, err
	}
	note := func(err error) { findings = append(findings, err.Error()) }
	for _, err := range r.Events(ctx, Query{}) {
		if err != nil {
			note(err)
		}
	}
	for _, err := range r.Observations(ctx, Query{}) {
		if err != nil {
			note(err)
		}
	}
	if err := each(ctx, r.db, `SELECT id, data FROM rollup`, func(s scan) error {
		var id int64
		var data []byte
		if err := s(&id, &data); err != nil {
			return err
		}
		if _, err := trace.DecodeRollups(data); err != nil {
			note(fmt.Errorf("roll-ups of block %d: %w", id, err))
		}
		return nil
	}); err != nil {
		note(fmt.Errorf("roll-ups: %w", err))
	}
	return findings, ctx.Err()
}

// checkDatabase has SQLite look at its pages and indices.
func (r *Reader) checkDatabase(ctx context.Context) (findings []string, err error) {
	err = each(ctx, r.db, `PRAGMA integrity_check`, func(s scan) error {
		var text string
		err := s(&text)
		if err == nil && text != "ok" {
			findings = append(findings, text)
		}
		return err
	})
	if damaged(err) {
		return append(findings, err.Error()), nil
	}
	if err != nil {
		return nil, fmt.Errorf("check the database: %w", err)
	}
	return findings, nil
}

// Vacuum gives the room of what was deleted back to the disk. It needs as much
// free room as the store takes, and nothing is written meanwhile.
func (l *Ledger) Vacuum(ctx context.Context) error {
	if err := l.Flush(ctx); err != nil {
		return err
	}
	if _, err := l.write.ExecContext(ctx, `VACUUM`); err != nil {
		return fmt.Errorf("vacuum ledger %s: %w", l.o.Dir, err)
	}
	_, err := l.write.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`)
	return err
}

// Backup writes the store as it is at one moment into a new file, also while
// it is written to.
func (r *Reader) Backup(ctx context.Context, file string) error {
	if _, err := os.Stat(file); err == nil {
		return fmt.Errorf("back up to %s: it is already there", file)
	}
	part := file + ".part"
	if err := os.Remove(part); err != nil && !os.IsNotExist(err) {
		return fmt.Errorf("back up to %s: %w", file, err)
	}
	if err := private(part); err != nil {
		return fmt.Errorf("back up to %s: %w", file, err)
	}
	if err := r.copyInto(ctx, part); err != nil {
		_ = os.Remove(part) // the error before tells
		return fmt.Errorf("back up to %s: %w", file, err)
	}
	if err := publish(part, file); err != nil {
		return fmt.Errorf("back up to %s: %w", file, err)
	}
	return nil
}

// copyInto needs a connection that may write, though it does not write here.
func (r *Reader) copyInto(ctx context.Context, part string) error {
	db, err := openDB(r.path, durable)
	if err != nil {
		return err
	}
	defer db.Close() //nolint:errcheck // it was only read
	_, err = db.ExecContext(ctx, `VACUUM INTO ?`, part)
	return err
}

// Restore puts a backup in the place of the ledger in a folder that no process
// writes. The one that was there is set aside; its name is returned, empty where there was
// none. A backup with any fault is refused.
func Restore(ctx context.Context, dir, backup string) (aside string, err error) {
	d, err := hold(dir)
	if err != nil {
		return "", fmt.Errorf("restore into %s: %w", dir, err)
	}
	defer func() {
		if released := d.release(true); err == nil {
			err = released
		}
	}()
	part := d.path(fileName + partTail)
	if err := copyFile(backup, part); err != nil {
		return "", fmt.Errorf("restore %s: %w", backup, err)
	}
	if err := sound(ctx, part); err != nil {
		_ = removeAll(part)
		if unreadable(err) && !errors.Is(err, ErrDamaged) {
			err = fmt.Errorf("%w: %w", ErrDamaged, err)
		}
		return "", fmt.Errorf("restore %s: %w", backup, err)
	}
	name, err := d.beginAside(strings.TrimSuffix(replaced, "-"))
	if err == nil {
		err = d.replace(name)
	}
	if err != nil {
		return "", fmt.Errorf("restore %s: %w", backup, err)
	}
	if _, err := os.Stat(d.path(name)); err != nil {
		return "", nil //nolint:nilerr // there was none
	}
	return d.path(name), nil
}

// sound looks at a whole copy, and leaves it without a write-ahead log.
func sound(ctx context.Context, path string) error {
	db, err := openWriter(path)
	if err != nil {
		return err
	}
	defer db.Close() //nolint:errcheck // it was only looked at
	if err := migrate(ctx, db); err != nil {
		return err
	}
	findings, err := (&Reader{db: db}).checkDatabase(ctx)
	if err == nil && len(findings) > 0 {
		err = fmt.Errorf("%w: %s", ErrDamaged, findings[0])
	}
	if err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`)
	return err
}

// copyFile copies and syncs.
func copyFile(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close() //nolint:errcheck // it was only read
	out, err := os.OpenFile(to, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() {
		if closed := out.Close(); err == nil {
			err = closed
		}
	}()
	if _, err := io.Copy(out, in); err != nil {
		return err
	}
	return out.Sync()
}

// publish syncs a file, gives it its name and syncs the folder, so that the name
// survives a power cut as well.
func publish(part, file string) error {
	f, err := os.OpenFile(part, os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	synced, closed := f.Sync(), f.Close()
	for _, err := range []error{synced, closed, os.Rename(part, file)} {
		if err != nil {
			return err
		}
	}
	return syncDir(filepath.Dir(file))
}

// syncDir makes new names in a folder survive a power cut. Windows has no such
// call.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close() //nolint:errcheck // it was only synced
	return d.Sync()
}

// removeAll removes a database with its helpers.
func removeAll(path string) (err error) {
	for _, tail := range tails {
		if gone := os.Remove(path + tail); gone != nil && !os.IsNotExist(gone) && err == nil {
			err = gone
		}
	}
	return err
}
