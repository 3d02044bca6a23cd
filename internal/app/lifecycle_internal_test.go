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
		layers := []*layer{
			{name: "files", begin: starting(o.task("files", 0))},
			{name: "stations", begin: starting(o.task("s1", time.Second), o.task("s2", 2*time.Second))},
			{name: "sources", begin: starting(o.task("usb", time.Second))},
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
		layers := []*layer{
			{name: "stations", begin: starting(o.task("s1", 0))},
			{name: "sources", begin: starting(task{"usb", func(context.Context) error { return broken }})},
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
		layers := []*layer{{name: "sources", begin: starting(task{"usb", func(context.Context) error { <-hang; return nil }})}}
		err := runLayers(ctx, layers, cancel)
		if err == nil || !strings.Contains(err.Error(), "stop sources: still busy after 10s") {
			t.Errorf("got %v, want to hear what did not stop", err)
		}
		close(hang)
	})
}

// A task can be started and stopped while its layer goes on.
func TestMembersComeAndGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var o order
		ctx, cancel := context.WithCancel(t.Context())
		sources := &layer{name: "sources", begin: starting(o.task("first", 0))}
		change := task{"change", func(ctx context.Context) error {
			m := sources.start(o.task("second", time.Second))
			if err := stopAll([]*member{m, sources.start(o.task("third", 0))}, 5*time.Second); err != nil {
				t.Error(err)
			}
			sources.start(o.task("fourth", time.Second))
			cancel()
			<-ctx.Done()
			return nil
		}}
		err := runLayers(ctx, []*layer{sources, {name: "control", begin: starting(change)}}, func() {})
		want := []string{"third", "second", "first", "fourth"}
		if err != nil || !slices.Equal(o.names, want) {
			t.Errorf("stopped %v, %v; want %v", o.names, err, want)
		}
	})
}

func TestStopAllIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hang := make(chan struct{})
		l := &layer{name: "sources", begin: starting()}
		l.open(make(chan error, 1))
		m := l.start(task{"usb", func(context.Context) error { <-hang; return nil }})
		if err := stopAll([]*member{m}, time.Second); err == nil || !strings.Contains(err.Error(), "stop usb: still busy after 1s") {
			t.Errorf("got %v", err)
		}
		close(hang)
		if err := l.close(time.Second); err != nil {
			t.Error(err)
		}
	})
}
