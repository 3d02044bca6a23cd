package app

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"
)

// task is one thing that runs: it returns nil when its context ends, and an
// error only when it can never work.
type task struct {
	name string
	run  func(ctx context.Context) error
}

// layer is a set of tasks that are stopped together. Layers are started in the
// order given and stopped in the reverse order, each waited for before the next
// one below it, so that nobody writes to what is already closed.
type layer struct {
	name  string
	tasks []task
}

// stopWithin is how long all layers together may take to stop.
const stopWithin = 10 * time.Second

// runLayers runs the layers until ctx ends or a task fails, then stops them.
// ready is called once everything was started.
func runLayers(ctx context.Context, layers []layer, ready func()) error {
	failed := make(chan error, 1)
	var running []*group
	for _, l := range layers {
		running = append(running, startGroup(l, failed))
	}
	ready()
	var errs []error
	select {
	case <-ctx.Done():
	case err := <-failed:
		errs = append(errs, err)
	}
	deadline := time.Now().Add(stopWithin)
	for i := len(running) - 1; i >= 0; i-- {
		errs = append(errs, running[i].stop(time.Until(deadline)))
	}
	return errors.Join(errs...)
}

// group is a layer that runs.
type group struct {
	name   string
	cancel context.CancelFunc
	done   chan struct{}
}

func startGroup(l layer, failed chan<- error) *group {
	ctx, cancel := context.WithCancel(context.Background()) // outlives the caller's ctx: it is stopped in order
	g := &group{name: l.name, cancel: cancel, done: make(chan struct{})}
	var wg sync.WaitGroup
	for _, t := range l.tasks {
		wg.Go(func() {
			if err := t.run(ctx); err != nil {
				select {
				case failed <- fmt.Errorf("%s: %w", t.name, err):
				default: // another failure is already stopping everything
				}
			}
		})
	}
	go func() {
		wg.Wait()
		close(g.done)
	}()
	return g
}

func (g *group) stop(within time.Duration) error {
	g.cancel()
	select {
	case <-g.done:
		return nil
	case <-time.After(within):
		return fmt.Errorf("stop %s: still busy after %s", g.name, stopWithin)
	}
}
