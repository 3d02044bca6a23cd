//go:build !linux

package inhibit

import (
	"context"
	"errors"
	"fmt"
)

// Logind takes a lock of systemd-logind: only Linux has it.
func Logind(context.Context, string) (Lock, error) {
	return nil, fmt.Errorf("keep this system awake: set it never to sleep while boards are on the bench: %w", errors.ErrUnsupported)
}
