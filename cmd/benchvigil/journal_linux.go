package main

import (
	"fmt"
	"io"
	"os"
	"syscall"
)

// isJournal reports whether what is written there goes to systemd's journal. The
// variable alone does not tell: a program that redirects its output hands it on
// (systemd.exec(5), $JOURNAL_STREAM).
func isJournal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	if err != nil {
		return false
	}
	s, ok := info.Sys().(*syscall.Stat_t)
	return ok && os.Getenv("JOURNAL_STREAM") == fmt.Sprintf("%d:%d", s.Dev, s.Ino)
}
