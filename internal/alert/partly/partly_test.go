package partly_test

import (
	"strconv"
	"testing"

	"benchvigil/internal/alert/partly"
)

func TestBook(t *testing.T) {
	var b partly.Book
	b.Done("nothing")
	b.Note("drop", "kim")
	b.Note("stall", "lee")
	for _, c := range []struct {
		key, receiver string
		want          bool
	}{{"drop", "kim", true}, {"drop", "lee", false}, {"stall", "lee", true}, {"other", "kim", false}} {
		if got := b.Has(c.key, c.receiver); got != c.want {
			t.Errorf("%s has %s: %v", c.receiver, c.key, got)
		}
	}
	b.Done("drop")
	if b.Has("drop", "kim") || !b.Has("stall", "lee") {
		t.Error("Done forgets another message than its own")
	}
}

// What is remembered has a bound: the oldest goes first.
func TestBound(t *testing.T) {
	var b partly.Book
	for i := range 1001 {
		b.Note(strconv.Itoa(i), "kim")
	}
	if b.Has("0", "kim") || !b.Has("1", "kim") || !b.Has("1000", "kim") {
		t.Error("the last 1000 messages are not those remembered")
	}
	b.Done("1")
	b.Note("1001", "kim")
	if !b.Has("2", "kim") {
		t.Error("one forgotten leaves no place for another")
	}
}
