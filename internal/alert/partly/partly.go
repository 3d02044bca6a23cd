// Package partly remembers which of several receivers have got a message, so
// that trying it again does not reach those a second time. It remembers in
// memory only and not for ever: after a restart a receiver may get a message
// twice, under the same key, and none goes without.
package partly

import "sync"

// most is how many messages are remembered. One is forgotten when all its
// receivers have it, so that only those on their way count.
const most = 1000

// Book is what is remembered; its zero value remembers nothing. Any goroutine
// may use it.
type Book struct {
	mu    sync.Mutex
	got   map[string]map[string]bool // receivers by the key of the message
	order []string                   // keys, the oldest first
}

// Note says that a receiver has got a message.
func (b *Book) Note(key, receiver string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.got[key] == nil {
		b.begin(key)
	}
	b.got[key][receiver] = true
}

func (b *Book) begin(key string) {
	if b.got == nil {
		b.got = map[string]map[string]bool{}
	}
	if len(b.order) == most {
		delete(b.got, b.order[0])
		b.order = b.order[1:]
	}
	b.got[key] = map[string]bool{}
	b.order = append(b.order, key)
}

// Has reports a receiver that got a message.
func (b *Book) Has(key, receiver string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.got[key][receiver]
}

// Done forgets a message that will not be tried again.
func (b *Book) Done(key string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, ok := b.got[key]; !ok {
		return
	}
	delete(b.got, key)
	for i, k := range b.order {
		if k == key {
			b.order = append(b.order[:i], b.order[i+1:]...)
			return
		}
	}
}
