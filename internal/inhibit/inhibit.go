// Package inhibit keeps the computer from sleeping while something must go on.
// It owns when the lock is taken and given back, and how systemd-logind is
// asked for it. It must not know what goes on: it is told whether the computer
// is wanted awake.
//
// A lock that cannot be had never stops anything: it is said once, and asked
// for again from time to time.
package inhibit

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/logkey"
)

// Lock keeps the computer awake until it is closed.
type Lock interface {
	// String says what is kept off, such as "sleep, idle".
	String() string
	Close() error
}

// Hold takes a lock; why is shown to whoever asks the system what keeps it
// awake.
type Hold func(ctx context.Context, why string) (Lock, error)

// Options of a Keeper.
type Options struct {
	Wanted func() bool   // whether the computer must stay awake now; must not block
	Why    string        // for people
	Hold   Hold          // default Logind
	Every  time.Duration // from question to question; default 2 s
	Retry  time.Duration // after a refusal; default 1 min
	Logger *zap.Logger   // default none
}

// Keeper holds a lock for as long as it is wanted.
type Keeper struct {
	opts Options
	said string // the refusal last written to the log
	next time.Time

	standing atomic.Pointer[Standing]
}

// Standing is what came of asking for the lock; the zero Standing: nobody
// wanted it yet.
type Standing struct {
	Held    string // what is or was last kept off, such as "sleep, idle"; empty: nothing
	Refused string // why the lock was refused last; empty: it was not
}

// Standing may be called from any goroutine.
func (k *Keeper) Standing() Standing {
	if s := k.standing.Load(); s != nil {
		return *s
	}
	return Standing{}
}

// New makes a keeper that holds nothing yet.
func New(o Options) (*Keeper, error) {
	if o.Wanted == nil {
		return nil, errors.New("keep awake: nobody says when")
	}
	o.Every, o.Retry = cmp.Or(o.Every, 2*time.Second), cmp.Or(o.Retry, time.Minute)
	if o.Hold == nil {
		o.Hold = Logind
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	return &Keeper{opts: o}, nil
}

// String names the keeper in logs.
func (k *Keeper) String() string { return "keep awake" }

// Run holds the lock while it is wanted, until ctx ends. It always returns nil.
func (k *Keeper) Run(ctx context.Context) error {
	beat := time.NewTicker(k.opts.Every)
	defer beat.Stop()
	var held Lock
	for {
		held = k.step(ctx, held)
		select {
		case <-ctx.Done():
			k.release(held)
			return nil
		case <-beat.C:
		}
	}
}

// step brings what is held to what is wanted.
func (k *Keeper) step(ctx context.Context, held Lock) Lock {
	switch wanted := k.opts.Wanted(); {
	case wanted && held == nil:
		return k.take(ctx)
	case !wanted:
		k.release(held)
		return nil
	}
	return held
}

// patience bounds one request to the system.
const patience = 5 * time.Second

func (k *Keeper) take(ctx context.Context) Lock {
	if time.Now().Before(k.next) {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	held, err := k.opts.Hold(ctx, k.opts.Why)
	if err == nil {
		k.said, k.next = "", time.Time{}
		k.standing.Store(&Standing{Held: held.String()})
		k.opts.Logger.Info("the computer is kept awake", logkey.Source(k.String()), logkey.State(held.String()))
		return held
	}
	k.next = time.Now().Add(k.opts.Retry)
	k.standing.Store(&Standing{Refused: err.Error()})
	if text := err.Error(); text != k.said && context.Cause(ctx) == nil {
		k.said = text
		k.opts.Logger.Warn("the computer may go to sleep during a run", logkey.Source(k.String()), logkey.Err(err))
	}
	return nil
}

func (k *Keeper) release(held Lock) {
	if held == nil {
		return
	}
	if err := held.Close(); err != nil {
		k.opts.Logger.Warn("the computer stays awake", logkey.Source(k.String()), logkey.Err(fmt.Errorf("give back the lock: %w", err)))
		return
	}
	k.opts.Logger.Info("the computer may sleep again", logkey.Source(k.String()))
}
