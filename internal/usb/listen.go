package usb

import (
	"context"
	"errors"
	"time"

	"benchvigil/internal/logkey"
)

// Waits before a refused or broken source of uevents is tried again.
const (
	minListenWait = time.Second
	maxListenWait = time.Minute
)

// listen keeps a receiver open and notes what it says, until ctx ends.
func (w *Watcher) listen(ctx context.Context) {
	wait, said := minListenWait, ""
	for ctx.Err() == nil {
		rx, err := w.opts.Listen()
		if err == nil {
			if said != "" {
				w.log.Info("uevents arrive again", logkey.Source(w.String()))
			}
			wait, said = minListenWait, ""
			w.book.listening(true)
			err = errors.Join(w.hear(ctx, rx), rx.Close())
		}
		if ctx.Err() != nil {
			return
		}
		w.book.listening(false)
		if text := err.Error(); text != said {
			w.log.Warn("no uevents, polling sysfs instead", logkey.Source(w.String()), logkey.Err(err))
			said = text
		}
		sleep(ctx, wait)
		wait = min(2*wait, maxListenWait)
	}
}

// hear notes what a receiver says until it breaks.
func (w *Watcher) hear(ctx context.Context, rx Receiver) error {
	for {
		u, err := rx.Receive(ctx)
		switch {
		case err == nil:
			w.book.heard(u, w.opts.Now())
		case errors.Is(err, ErrOverrun):
			w.book.overrun()
		case errors.Is(err, ErrMalformed):
			w.log.Debug("uevent passed over", logkey.Source(w.String()), logkey.Err(err))
			w.book.garbled()
		default:
			return err
		}
	}
}

func sleep(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}
