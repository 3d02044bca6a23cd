package main

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strconv"
	"testing"

	"benchvigil/internal/app"
)

func exitStatus(err error) string {
	if e, ok := errors.AsType[*exec.ExitError](err); ok {
		return strconv.Itoa(e.ExitCode())
	}
	return err.Error()
}

// The codes that the README lists.
func TestExitCodes(t *testing.T) {
	for _, tc := range []struct {
		err  error
		want int
	}{
		{nil, 0},
		{errors.New("x"), 1},
		{context.Canceled, 1},
		{fmt.Errorf("y: %w", app.ErrConfig), 3},
		{fmt.Errorf("y: %w", errUsage), 3},
		{fmt.Errorf("y: %w", app.ErrRecord), 4},
		{fmt.Errorf("y: %w", app.ErrHardware), 5},
		{fmt.Errorf("y: %w", app.ErrUnreadable), 6},
	} {
		if got := exitCode(tc.err); got != tc.want {
			t.Errorf("exitCode(%v) = %d, want %d", tc.err, got, tc.want)
		}
	}
}
