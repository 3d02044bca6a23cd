package supply

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// AskError is why an instrument gave no answer.
type AskError struct {
	Kind Failure // Unreachable, Broken or Silent
	What string  // in words
	Err  error   // the cause
}

func (e *AskError) Error() string { return e.What }

// Unwrap returns the cause, os.ErrPermission for instance.
func (e *AskError) Unwrap() error { return e.Err }

// Ask opens a way to the instrument at address, asks one question and closes
// it again: for a person who sets things up, never for a watch. It returns the
// answer line as it came, fit to be shown, for ParseAnswer or a reader. Like
// everything here it only asks: what is no query is refused. Where there is no
// answer the error is an *AskError.
func Ask(ctx context.Context, address, query string, timeout time.Duration) (string, error) {
	if query == "" {
		return "", errors.New("ask: no query")
	}
	if err := checkQuery(query); err != nil {
		return "", fmt.Errorf("ask %q: %w", query, err)
	}
	_, dial, err := open(address)
	if err != nil {
		return "", err
	}
	d, err := dialled(ctx, dial, timeout)
	if err != nil {
		return "", &AskError{Unreachable, unreachable(err).text(), err}
	}
	stop := closeAfter(ctx, d.conn)
	defer func() {
		if stop() {
			_ = d.conn.Close()
		}
	}()
	line, err := d.query(query)
	if err != nil {
		f := unanswered(query, timeout, err)
		return "", &AskError{f.kind, f.text(), err}
	}
	return line, nil
}
