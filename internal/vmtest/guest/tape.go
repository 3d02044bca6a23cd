//go:build linux

package main

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// tape keeps everything that was seen of one kind, in order, each with the
// moment it was seen at. It is safe for concurrent use.
type tape[T any] struct {
	mu    sync.Mutex
	items []seen[T]
	more  chan struct{} // closed and replaced with every item
}

type seen[T any] struct {
	at time.Time
	v  T
}

func newTape[T any]() *tape[T] { return &tape[T]{more: make(chan struct{})} }

func (t *tape[T]) add(at time.Time, v T) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.items = append(t.items, seen[T]{at, v})
	close(t.more)
	t.more = make(chan struct{})
}

// mark is the place where the next item will be.
func (t *tape[T]) mark() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.items)
}

// since returns the items from a mark on.
func (t *tape[T]) since(mark int) []seen[T] {
	items, _ := t.from(mark)
	return items
}

func (t *tape[T]) from(mark int) ([]seen[T], <-chan struct{}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.items[mark:len(t.items):len(t.items)], t.more
}

// wait returns the first item from mark on that matches. What names it for the
// error when it does not come within limit.
func (t *tape[T]) wait(ctx context.Context, mark int, limit time.Duration, what string, match func(T) bool) (seen[T], error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	for {
		items, more := t.from(mark)
		for _, it := range items {
			if match(it.v) {
				return it, nil
			}
		}
		mark += len(items)
		select {
		case <-more:
		case <-ctx.Done():
			return seen[T]{}, fmt.Errorf("no %s within %v", what, limit)
		}
	}
}
