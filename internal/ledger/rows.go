package ledger

import (
	"context"
	"database/sql"
)

// querier is a database or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// scan reads one row.
type scan func(into ...any) error

// each gives every row of a query to do.
func each(ctx context.Context, q querier, query string, do func(scan) error, args ...any) error {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close() //nolint:errcheck // Err tells
	for rows.Next() {
		if err := do(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}
