//go:build linux

package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"
)

// event is a line of benchvigil's events file.
type event struct {
	ID     string          `json:"id"`
	Source string          `json:"source"`
	Type   string          `json:"type"`
	Time   time.Time       `json:"time"`
	Data   json.RawMessage `json:"data"`
	facts  facts
}

// facts are the parts of an event's data that the checks look at.
type facts struct {
	Concluded time.Time `json:"concluded_at"`
	Kind      string    `json:"kind"`
	From      string    `json:"from"`
	To        string    `json:"to"`
	Mode      string    `json:"mode"`
}

// observation is a line of benchvigil's recording; the parts that a line lacks
// stay empty.
type observation struct {
	At      time.Time `json:"at"`
	Station string    `json:"station"`
	USB     *struct {
		Change, Port, Vendor, Product, Serial string
	} `json:"usb"`
	Traffic *struct{ URBs uint64 }          `json:"traffic"`
	Power   *struct{ Volts, Amps *float64 } `json:"power"`
}

func parseEvent(line []byte) (event, error) {
	var e event
	if err := json.Unmarshal(line, &e); err != nil {
		return e, err
	}
	return e, json.Unmarshal(e.Data, &e.facts)
}

func parseObservation(line []byte) (o observation, err error) {
	return o, json.Unmarshal(line, &o)
}

// filePoll is how often a followed file is asked for more; it bounds the error
// of every latency that is measured.
const filePoll = 5 * time.Millisecond

// follow puts every line of a growing file on the tape, from its beginning on.
// The file need not be there yet.
func follow[T any](ctx context.Context, file string, tape *tape[T], parse func([]byte) (T, error)) {
	f, err := os.Open(file)
	for ; errors.Is(err, fs.ErrNotExist) && ctx.Err() == nil; f, err = os.Open(file) {
		pause(ctx, filePoll)
	}
	if err == nil {
		defer f.Close() //nolint:errcheck // opened for reading only
		err = readLines(ctx, f, tape, parse)
	}
	if err != nil {
		fmt.Printf("guest: %s: %v\n", file, err)
	}
}

func readLines[T any](ctx context.Context, f io.Reader, tape *tape[T], parse func([]byte) (T, error)) error {
	r := bufio.NewReader(f)
	var line []byte
	for ctx.Err() == nil {
		part, err := r.ReadBytes('\n')
		line = append(line, part...)
		if errors.Is(err, io.EOF) {
			pause(ctx, filePoll)
			continue
		}
		if err != nil {
			return err
		}
		v, err := parse(line)
		if err != nil {
			return fmt.Errorf("line %q: %w", line, err)
		}
		tape.add(time.Now(), v)
		line = line[:0]
	}
	return nil
}

// pause waits for d or for the end.
func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}
