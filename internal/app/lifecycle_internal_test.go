package app

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// order notes what stopped, in which order.
type order struct {
	mu    sync.Mutex
	names []string
}

func (o *order) task(name string, takes time.Duration) task {
	return task{name: name, run: func(ctx context.Context) error {
		<-ctx.Done()
		time.Sleep(takes)
		o.mu.Lock()
		defer o.mu.Unlock()
		o.names = append(o.names, name)
		return nil
	}}
}

func TestLayersStopInReverse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var o order
		ctx, cancel := context.WithCancel(t.Context())
		layers := []layer{
			{"files", []task{o.task("files", 0)}},
			{"stations", []task{o.task("s1", time.Second), o.task("s2", 2*time.Second)}},
			{"sources", []task{o.task("usb", time.Second)}},
		}
		err := runLayers(ctx, layers, cancel)
		want := []string{"usb", "s1", "s2", "files"}
		if err != nil || !slices.Equal(o.names, want) {
			t.Errorf("stopped %v, %v; want %v", o.names, err, want)
		}
	})
}

func TestFailingTaskStopsAll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var o order
		broken := errors.New("no such device")
		layers := []layer{
			{"stations", []task{o.task("s1", 0)}},
			{"sources", []task{{"usb", func(context.Context) error { return broken }}}},
		}
		err := runLayers(t.Context(), layers, func() {})
		if !errors.Is(err, broken) || !strings.Contains(err.Error(), "usb: ") || len(o.names) != 1 {
			t.Errorf("got %v and stopped %v; want the failure, named, and s1 stopped", err, o.names)
		}
	})
}

func TestStopIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hang := make(chan struct{})
		ctx, cancel := context.WithCancel(t.Context())
		layers := []layer{{"sources", []task{{"usb", func(context.Context) error { <-hang; return nil }}}}}
		err := runLayers(ctx, layers, cancel)
		if err == nil || !strings.Contains(err.Error(), "stop sources: still busy after 10s") {
			t.Errorf("got %v, want to hear what did not stop", err)
		}
		close(hang)
	})
}
