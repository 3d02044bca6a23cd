package chart

import (
	"errors"
	"fmt"
)

// What whoever asks is told apart by.
var (
	ErrNothing = errors.New("there is nothing")   // that was asked for
	ErrAsked   = errors.New("this cannot be had") // as it was asked for
	ErrBusy    = errors.New("not now")            // it would take too long
)

// Refuse is an error of one of these kinds in the words of a sentence.
func Refuse(kind error, format string, args ...any) error {
	return refusal{fmt.Sprintf(format, args...), kind}
}

type refusal struct {
	text string
	kind error
}

func (r refusal) Error() string { return r.text }
func (r refusal) Unwrap() error { return r.kind }
