package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"
)

// task is one thing that runs: it returns nil when its context ends, and an
// error only when it can never work.
type task struct {
	name string
	run  func(ctx context.Context) error
}

// layer is a set of tasks that are stopped together. Layers are opened in the
// order given and closed in the reverse order, each waited for before the next
// one below it, so that nobody writes to what is already closed. While a layer
// is open, tasks may be started and stopped in it by a layer above.
type layer struct {
	name  string
	begin func(*layer) // starts what the layer begins with

	ctx    context.Context //nolint:containedctx // the life of the layer, which outlives any call
	cancel context.CancelFunc
	failed chan<- error
	wg     sync.WaitGroup
}

// starting begins a layer with tasks.
func starting(tasks ...task) func(*layer) {
	return func(l *layer) {
		for _, t := range tasks {
			l.start(t)
		}
	}
}

// stopWithin is how long all layers together may take to stop.
const stopWithin = 10 * time.Second

// runLayers runs the layers until ctx ends or a task fails, then stops them.
// ready is called once everything was started.
func runLayers(ctx context.Context, layers []*layer, ready func()) error {
	failed := make(chan error, 1)
	for _, l := range layers {
		l.open(failed)
	}
	ready()
	var errs []error
	select {
	case <-ctx.Done():
	case err := <-failed:
		errs = append(errs, err)
	}
	deadline := time.Now().Add(stopWithin)
	for _, l := range slices.Backward(layers) {
		errs = append(errs, l.close(time.Until(deadline)))
	}
	return errors.Join(errs...)
}

func (l *layer) open(failed chan<- error) {
	l.failed = failed
	l.ctx, l.cancel = context.WithCancel(context.Background()) // outlives the caller's ctx: it is stopped in order
	l.begin(l)
}

// start runs a task until it or its layer is stopped.
func (l *layer) start(t task) *member {
	ctx, cancel := context.WithCancel(l.ctx)
	m := &member{t.name, cancel, make(chan struct{})}
	l.wg.Go(func() {
		defer close(m.done)
		defer cancel()
		if err := t.run(ctx); err != nil {
			select {
			case l.failed <- fmt.Errorf("%s: %w", t.name, err):
			default: // another failure is already stopping everything
			}
		}
	})
	return m
}

func (l *layer) close(within time.Duration) error {
	l.cancel()
	done := make(chan struct{})
	go func() {
		l.wg.Wait()
		close(done)
	}()
	select {
	case <-done:
		return nil
	case <-time.After(within):
		return fmt.Errorf("stop %s: still busy after %s", l.name, stopWithin)
	}
}

// member is a task that runs in a layer.
type member struct {
	name   string
	cancel context.CancelFunc
	done   chan struct{}
}

// stopAll stops members together and waits for them.
func stopAll(members []*member, within time.Duration) error {
	for _, m := range members {
		m.cancel()
	}
	deadline := time.After(within)
	for _, m := range members {
		select {
		case <-m.done:
		case <-deadline:
			return fmt.Errorf("stop %s: still busy after %s", m.name, within)
		}
	}
	return nil
}
