package fan_test

import (
	"errors"
	"testing"

	"benchvigil/internal/fan"
)

func all(string) bool { return true }

// Who does not keep up is out, and nobody else waits for them.
func TestSlow(t *testing.T) {
	h := fan.New[string, int](2, 2)
	slow, _ := h.Join("a", "")
	quick, _ := h.Join("b", "")
	if _, err := h.Join("c", ""); !errors.Is(err, fan.ErrCrowded) {
		t.Errorf("a third of two: %v", err)
	}
	for i := range 3 {
		out := h.Send(all, i)
		if got := <-quick.Queue; got != i || (len(out) == 1) != (i == 2) {
			t.Errorf("%d came for %d, %d were slow", got, i, len(out))
		}
	}
	for range 2 {
		<-slow.Queue
	}
	if _, open := <-slow.Queue; open || h.Dropped() != 1 || h.Drop(slow) {
		t.Errorf("the slow one is still in, or twice out: %d", h.Dropped())
	}
	h.Leave(slow)
	if !h.Drop(quick) {
		t.Error("the other was out already")
	}
}

func TestViewsAndClose(t *testing.T) {
	h := fan.New[string, int](9, 1)
	s1, _ := h.Join("", "s1")
	s2, _ := h.Join("", "s2")
	h.Send(func(v string) bool { return v == "s2" }, 7)
	if len(s1.Queue) != 0 || <-s2.Queue != 7 || len(h.Views()) != 2 {
		t.Errorf("%d for s1, views %v", len(s1.Queue), h.Views())
	}
	h.Close()
	if _, open := <-s1.Queue; open || len(h.Views()) != 0 {
		t.Error("still open")
	}
	if _, err := h.Join("", ""); !errors.Is(err, fan.ErrClosed) {
		t.Errorf("let in: %v", err)
	}
}
