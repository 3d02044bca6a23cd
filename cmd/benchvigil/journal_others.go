//go:build !linux

package main

import "io"

// isJournal reports whether what is written there goes to systemd's journal,
// which is Linux only.
func isJournal(io.Writer) bool { return false }
