// Package logkey is the only spelling of log keys. It owns zap field
// constructors for them and knows nothing else.
package logkey

import (
	"time"

	"go.uber.org/zap"
)

// Station is the station's ID.
func Station(id string) zap.Field { return zap.String("station", id) }

// Source is the name of what observations come from.
func Source(name string) zap.Field { return zap.String("source", name) }

// Device is a USB identity or instrument identification.
func Device(name string) zap.Field { return zap.String("device", name) }

// Port is a USB port path.
func Port(path string) zap.Field { return zap.String("port", path) }

// Seq is a sequence number, such as the kernel's SEQNUM.
func Seq(n uint64) zap.Field { return zap.Uint64("seq", n) }

// Event is an event's type.
func Event(kind string) zap.Field { return zap.String("event", kind) }

// State is the state entered.
func State(s string) zap.Field { return zap.String("state", s) }

// PrevState is the state left.
func PrevState(s string) zap.Field { return zap.String("prev_state", s) }

// Attempt counts tries of the same thing.
func Attempt(n int) zap.Field { return zap.Int("attempt", n) }

// Elapsed is how long something took, or how late it was.
func Elapsed(d time.Duration) zap.Field { return zap.Duration("elapsed", d) }

// Address is a network address.
func Address(a string) zap.Field { return zap.String("address", a) }

// File is a path.
func File(path string) zap.Field { return zap.String("file", path) }

// Key is a key of the configuration.
func Key(name string) zap.Field { return zap.String("key", name) }

// Keys are keys of the configuration.
func Keys(names []string) zap.Field { return zap.Strings("keys", names) }

// Name is what people call a station.
func Name(name string) zap.Field { return zap.String("name", name) }

// At is when something happened.
func At(t time.Time) zap.Field { return zap.Time("at", t) }

// Goal is what a watch waits for, in its text form.
func Goal(text string) zap.Field { return zap.String("goal", text) }

// Count is how many.
func Count(n uint64) zap.Field { return zap.Uint64("count", n) }

// Err is the error.
func Err(err error) zap.Field { return zap.NamedError("err", err) }

// Fact is one observation as it was made.
func Fact(f any) zap.Field { return zap.Any("fact", f) }

// Mark is what a person said: kind, words, who, and for how long, 0 for no time.
func Mark(kind, text, by string, lasts time.Duration) zap.Field {
	fields := []zap.Field{zap.String("kind", kind)}
	for _, f := range []zap.Field{zap.String("text", text), zap.String("by", by)} {
		if f.String != "" {
			fields = append(fields, f)
		}
	}
	if lasts > 0 {
		fields = append(fields, zap.Duration("for", lasts))
	}
	return zap.Dict("mark", fields...)
}

// Why is the evidence of a conclusion.
func Why(reasons []string) zap.Field { return zap.Strings("why", reasons) }
