package supply

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap/zaptest"

	"benchvigil/internal/bench"
)

// An instrument that is plugged in again is asked at once, however long it was
// away, and again soon where it may not be opened yet.
func TestReplugIsNoticedAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var plugged atomic.Bool
		dials := make(chan time.Time, 100)
		p, err := New(Options{
			Station: "s1", Address: "serial:///dev/ttyACM0", Logger: zaptest.NewLogger(t),
			Dial: func(context.Context) (Conn, error) {
				dials <- time.Now()
				if plugged.Load() {
					return nil, fs.ErrPermission
				}
				return nil, fs.ErrNotExist
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		p.there = func() bool { return plugged.Load() }
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- p.Run(ctx, func(bench.Observation) bool { return true }) }()
		time.Sleep(time.Minute)
		n := len(dials)
		if n > 25 {
			t.Errorf("%d attempts in a minute while it is away, want them to become rare", n)
		}
		for range n {
			<-dials
		}
		plugged.Store(true)
		back := time.Now()
		time.Sleep(time.Second)
		if n := len(dials); n < 3 || (<-dials).Sub(back) > lookEvery {
			t.Errorf("attempts after it is back: %d, want the first within %v and more within a second", n, lookEvery)
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func TestPresence(t *testing.T) {
	for address, want := range map[string]bool{
		"tcp://127.0.0.1:5025":                 false,
		"psu":                                  false,
		"serial://COM3":                        false,
		"serial:///dev/ttyACM0?baud=9600":      true,
		"usbtmc:///dev/usbtmc0":                true,
		"usbtmc://serial/benchvigil-no-number": true,
	} {
		if there := presence(address); (there != nil) != want {
			t.Errorf("%s can be looked at: %v, want %v", address, there != nil, want)
		}
	}
	if !presence("serial://" + os.DevNull + "?baud=300")() {
		t.Errorf("%s is not there", os.DevNull)
	}
	none := filepath.Join("/dev", "benchvigil-none")
	if _, err := os.Stat(none); errors.Is(err, fs.ErrNotExist) && presence("usbtmc://"+none)() {
		t.Errorf("%s is there", none)
	}
	if presence("usbtmc://serial/benchvigil-no-number")() {
		t.Error("an instrument with a made-up number is there")
	}
}
