package main

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/buffer"
	"go.uber.org/zap/zapcore"
)

// logOptions say how to log.
type logOptions struct {
	level  string
	format string
}

func (o *logOptions) flags(c *cobra.Command) {
	c.Flags().StringVar(&o.level, "log-level", "info", "debug, info, warn or error")
	c.Flags().StringVar(&o.format, "log-format", "auto", "json, human, journal, or auto: human on a terminal, journal into systemd's, else json")
	offerWords(c, "log-level", "debug", "info", "warn", "error")
	offerWords(c, "log-format", "auto", "json", "human", "journal")
}

func (o *logOptions) logger(w io.Writer) (*zap.Logger, error) {
	level, err := zapcore.ParseLevel(o.level)
	if err != nil || level > zapcore.ErrorLevel {
		return nil, fmt.Errorf("--log-level %q: want debug, info, warn or error: %w", o.level, errUsage)
	}
	enc, err := o.encoder(w)
	if err != nil {
		return nil, err
	}
	return zap.New(zapcore.NewCore(enc, zapcore.Lock(zapcore.AddSync(w)), level)), nil
}

func (o *logOptions) encoder(w io.Writer) (zapcore.Encoder, error) {
	human := o.format == "human" || o.format == "auto" && isTerminal(w)
	journal := o.format == "journal" || o.format == "auto" && isJournal(w)
	cfg := zap.NewProductionEncoderConfig()
	cfg.EncodeDuration = zapcore.StringDurationEncoder
	switch {
	case human:
		cfg.EncodeTime = zapcore.TimeEncoderOfLayout("15:04:05.000")
		cfg.EncodeLevel = zapcore.CapitalLevelEncoder
		cfg.ConsoleSeparator = "  "
		return lines{zapcore.NewConsoleEncoder(cfg)}, nil
	case journal:
		cfg.TimeKey, cfg.LevelKey, cfg.ConsoleSeparator = "", "", "  " // the journal keeps both itself
		return journalLines{lines{zapcore.NewConsoleEncoder(cfg)}}, nil
	case o.format == "auto", o.format == "json":
		cfg.EncodeTime = zapcore.RFC3339NanoTimeEncoder
		return zapcore.NewJSONEncoder(cfg), nil
	}
	return nil, fmt.Errorf("--log-format %q: want auto, json, human or journal: %w", o.format, errUsage)
}

// lines is an encoder for people: an error of several lines, such as all that
// is wrong with a configuration, stands below its entry and not in one line of
// JSON.
type lines struct{ zapcore.Encoder }

// Clone keeps what was added.
func (l lines) Clone() zapcore.Encoder { return lines{l.Encoder.Clone()} }

// EncodeEntry makes the lines of one entry.
func (l lines) EncodeEntry(e zapcore.Entry, fields []zapcore.Field) (*buffer.Buffer, error) {
	for i, f := range fields {
		err, ok := f.Interface.(error)
		if f.Type != zapcore.ErrorType || !ok || !strings.Contains(err.Error(), "\n") {
			continue
		}
		e.Message += ":\n    " + strings.ReplaceAll(err.Error(), "\n", "\n    ")
		fields = slices.Concat(fields[:i], fields[i+1:])
		break
	}
	return l.Encoder.EncodeEntry(e, fields)
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
