package ledger

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"path/filepath"
	"slices"

	"github.com/mattn/go-sqlite3"
	"github.com/pressly/goose/v3"
)

// driver is the only spelling of the SQL driver.
const driver = "sqlite3"

// fileName is the database within its folder.
const fileName = "ledger.db"

//go:embed migrations/*.sql
var migrations embed.FS

// readers is how many queries run at once.
const readers = 4

// durable is what holds for each connection to a sound database.
const durable = "_journal_mode=WAL&_synchronous=FULL&_busy_timeout=5000"

// openDB opens a database with settings that hold for each connection.
func openDB(path, settings string) (*sql.DB, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: settings}
	return sql.Open(driver, u.String())
}

// openWriter opens the one connection that writes. Each transaction takes the
// write lock at once: one that read first could be refused it later. Checkpoints
// are the keeper's, so that no commit waits for one; the limit is for a keeper that
// is held up.
func openWriter(path string) (*sql.DB, error) {
	db, err := openDB(path, durable+"&_txlock=immediate")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	if _, err := db.Exec(`PRAGMA wal_autocheckpoint = 4000`); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

func openReaders(path string) (*sql.DB, error) {
	db, err := openDB(path, durable+"&_query_only=1")
	if err == nil {
		db.SetMaxOpenConns(readers)
	}
	return db, err
}

// migrate brings an older database up to date. One that a newer program made is
// refused.
func migrate(ctx context.Context, db *sql.DB) error {
	sub, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, db, sub, goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return fmt.Errorf("read migrations: %w", err)
	}
	have, err := p.GetDBVersion(ctx)
	if err != nil {
		return fmt.Errorf("read the version: %w", err)
	}
	sources := p.ListSources()
	if known := sources[len(sources)-1].Version; have > known {
		return fmt.Errorf("%w: it has version %d, this program knows %d", ErrNewer, have, known)
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	return nil
}

// damaged reports that an error is about what the file holds.
func damaged(err error) bool {
	e, ok := errors.AsType[sqlite3.Error](err)
	return errors.Is(err, ErrDamaged) || ok && (e.Code == sqlite3.ErrCorrupt || e.Code == sqlite3.ErrNotADB)
}

// outside are errors of the disk, the system or another process, which say
// nothing about what the file holds.
var outside = []sqlite3.ErrNo{
	sqlite3.ErrBusy, sqlite3.ErrLocked, sqlite3.ErrPerm, sqlite3.ErrCantOpen, sqlite3.ErrReadonly, sqlite3.ErrFull,
	sqlite3.ErrIoErr, sqlite3.ErrNomem, sqlite3.ErrAuth, sqlite3.ErrInterrupt,
}

// unreadable reports that a database could not be opened because of what it
// holds: damage can look like anything, a misspelt table too.
func unreadable(err error) bool {
	if errors.Is(err, ErrNewer) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return false
	}
	if _, ok := errors.AsType[*fs.PathError](err); ok {
		return false
	}
	e, ok := errors.AsType[sqlite3.Error](err)
	return !ok || !slices.Contains(outside, e.Code)
}

// atomically runs do in one transaction.
func atomically(ctx context.Context, db *sql.DB, do func(*sql.Tx) error) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	defer tx.Rollback() //nolint:errcheck // a no-op after the commit
	if err := do(tx); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	return nil
}
