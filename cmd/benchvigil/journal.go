package main

import (
	"fmt"
	"strings"

	"go.uber.org/zap/buffer"
	"go.uber.org/zap/zapcore"
)

// journalLines is an encoder for systemd's journal: each line begins with its
// level as sd-daemon(3) writes it, so that journalctl can sort by it.
type journalLines struct{ zapcore.Encoder }

var buffers = buffer.NewPool()

// Clone keeps what was added.
func (j journalLines) Clone() zapcore.Encoder { return journalLines{j.Encoder.Clone()} }

// EncodeEntry makes the lines of one entry.
func (j journalLines) EncodeEntry(e zapcore.Entry, fields []zapcore.Field) (*buffer.Buffer, error) {
	text, err := j.Encoder.EncodeEntry(e, fields)
	if err != nil {
		return nil, err
	}
	defer text.Free()
	out := buffers.Get()
	for line := range strings.Lines(text.String()) {
		fmt.Fprintf(out, "<%d>%s", priority(e.Level), line) //nolint:errcheck // a buffer takes everything
	}
	return out, nil
}

// priority is a level as syslog(3) numbers it.
func priority(l zapcore.Level) int {
	switch {
	case l < zapcore.InfoLevel:
		return 7
	case l < zapcore.WarnLevel:
		return 6
	case l < zapcore.ErrorLevel:
		return 4
	}
	return 3
}
