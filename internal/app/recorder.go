package app

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"time"
)

// RecordOptions say what to record from a running daemon.
type RecordOptions struct {
	URL     string
	Station string        // only this one; empty: all
	File    string        // a new file; "-" is standard output
	For     time.Duration // 0: until ctx ends
	Out     io.Writer     // standard output
	Say     io.Writer     // what is going on
}

// RecordLive writes observations to a file as the daemon makes them, until ctx
// ends or the time is over.
func RecordLive(ctx context.Context, o RecordOptions) (err error) {
	c, err := newClient(o.URL)
	if err != nil {
		return err
	}
	if err := free(o.File); err != nil {
		return err
	}
	if o.For > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, o.For)
		defer cancel()
	}
	res, err := c.do(ctx, http.MethodGet, "/api/v1/observations?station="+url.QueryEscape(o.Station), nil)
	if err != nil {
		return err
	}
	defer res.Body.Close() //nolint:errcheck // the stream has no end to wait for
	out, done, err := recordTo(o)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, done()) }()
	fmt.Fprintln(o.Say, "recording; Ctrl-C ends it") //nolint:errcheck // nobody is there to be told
	n, err := copyLines(out, res.Body)
	if ctx.Err() != nil {
		fmt.Fprintf(o.Say, "%d observations\n", n) //nolint:errcheck // nobody is there to be told
		return nil
	}
	if err == nil {
		err = errors.New("the daemon has stopped, or this recorder fell behind")
	}
	return fmt.Errorf("the recording ends early, after %d lines: %w", n, err)
}

// copyLines copies whole lines: one that is cut off by the end is left out.
func copyLines(w io.Writer, r io.Reader) (n int, err error) {
	in := bufio.NewReader(r)
	for {
		line, err := in.ReadBytes('\n')
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil {
			return n, err
		}
		if _, err := w.Write(line); err != nil {
			return n, fmt.Errorf("%w: %w", ErrRecord, err)
		}
		n++
	}
}

// free says that a recording would be written over, before anything is asked
// of the daemon; recordTo makes sure of it.
func free(file string) error {
	if _, err := os.Stat(file); file != "-" && err == nil {
		return fmt.Errorf("%w: %s is already there: choose another name or move it away", ErrRecord, file)
	}
	return nil
}

func recordTo(o RecordOptions) (io.Writer, func() error, error) {
	if o.File == "-" {
		return o.Out, func() error { return nil }, nil
	}
	f, err := os.OpenFile(o.File, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, nil, fmt.Errorf("%w: %s is already there: choose another name or move it away", ErrRecord, o.File)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("%w: %w", ErrRecord, err)
	}
	return f, func() error { return errors.Join(f.Sync(), f.Close()) }, nil
}

func closeBody(res *http.Response) error {
	if res == nil {
		return nil
	}
	return res.Body.Close()
}
