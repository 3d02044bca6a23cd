package enroll

import (
	"errors"
	"fmt"
)

// The kinds of errors, by which the caller chooses what to tell the shell.
var (
	// ErrNoAnswer marks a question that nobody answered, or whose answer on the
	// command line will not do.
	ErrNoAnswer = errors.New("no answer")
	// ErrNotThere marks hardware that does not show itself or does not answer.
	ErrNotThere = errors.New("not there")
	// ErrFile marks a configuration that cannot be used.
	ErrFile = errors.New("unusable configuration")
)

// fault is an error of a kind that its words do not name again.
type fault struct{ kind, err error }

func (f *fault) Error() string   { return f.err.Error() }
func (f *fault) Unwrap() []error { return []error{f.kind, f.err} }

func noAnswer(format string, args ...any) error {
	return &fault{ErrNoAnswer, fmt.Errorf(format, args...)}
}

func notThere(format string, args ...any) error {
	return &fault{ErrNotThere, fmt.Errorf(format, args...)}
}

func badFile(format string, args ...any) error { return &fault{ErrFile, fmt.Errorf(format, args...)} }
