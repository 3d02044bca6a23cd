//go:build !linux

package ledger_test

import "errors"

const limitDir = "BENCHVIGIL_LEDGER_LIMIT"

func limited(string) error { return errors.ErrUnsupported }
