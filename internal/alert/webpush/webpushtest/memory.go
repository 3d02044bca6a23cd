// Package webpushtest plays what web push needs outside of the bench: a browser
// that has subscribed, the push service between, and a store. It decrypts and
// verifies by code of its own, written from the RFCs, so that a mistake in
// package webpush is not made twice.
package webpushtest

import (
	"context"
	"maps"
	"sync"
)

// Memory is a store that keeps what it is given for as long as it lives.
type Memory struct {
	mu   sync.Mutex
	kept map[string]map[string]string
	err  error
}

// Fail makes each call answer err, nil for none.
func (m *Memory) Fail(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.err = err
}

// Kept gives all of a kind.
func (m *Memory) Kept(_ context.Context, kind string) (map[string]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return maps.Clone(m.kept[kind]), m.err
}

// Keep keeps one.
func (m *Memory) Keep(_ context.Context, kind, key, data string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.err != nil {
		return m.err
	}
	if m.kept == nil {
		m.kept = map[string]map[string]string{}
	}
	if m.kept[kind] == nil {
		m.kept[kind] = map[string]string{}
	}
	m.kept[kind][key] = data
	return nil
}

// Forget forgets one.
func (m *Memory) Forget(_ context.Context, kind, key string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.err == nil {
		delete(m.kept[kind], key)
	}
	return m.err
}
