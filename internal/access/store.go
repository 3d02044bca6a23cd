package access

import (
	"context"
	"encoding/base64"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/alexedwards/scs/v2"
)

// Keeper keeps sessions through a restart; the ledger does.
type Keeper interface {
	Kept(ctx context.Context, kind string) (map[string]string, error)
	Keep(ctx context.Context, kind, key, data string) error
	Forget(ctx context.Context, kind, key string) error
}

// keptAs is the kind under which sessions are kept.
const keptAs = "session"

// keptWithin bounds how long a request waits for the disk.
const keptWithin = 3 * time.Second

type session struct {
	data   []byte
	expiry time.Time
}

// store holds sessions under the hashes of their tokens, in memory and with a
// keeper.
type store struct {
	keeper Keeper // nil: a restart ends all sessions

	mu  sync.Mutex
	all map[string]session
}

var _ scs.Store = (*store)(nil)

func newStore(ctx context.Context, k Keeper, now time.Time) (*store, error) {
	s := &store{keeper: k, all: map[string]session{}}
	if k == nil {
		return s, nil
	}
	kept, err := k.Kept(ctx, keptAs)
	if err != nil {
		return nil, err
	}
	for token, text := range kept {
		v, ok := parseSession(text)
		if !ok || !v.expiry.After(now) {
			if err := k.Forget(ctx, keptAs, token); err != nil {
				return nil, err
			}
			continue
		}
		s.all[token] = v
	}
	return s, nil
}

func parseSession(text string) (session, bool) {
	at, data, ok := strings.Cut(text, " ")
	ms, err := strconv.ParseInt(at, 10, 64)
	raw, bad := base64.StdEncoding.DecodeString(data)
	return session{raw, time.UnixMilli(ms)}, ok && err == nil && bad == nil
}

func (s *store) Find(token string) ([]byte, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	v, ok := s.all[token]
	if !ok || !v.expiry.After(time.Now()) {
		return nil, false, nil
	}
	return v.data, true, nil
}

func (s *store) Commit(token string, data []byte, expiry time.Time) error {
	s.mu.Lock()
	s.all[token] = session{data, expiry}
	s.mu.Unlock()
	if s.keeper == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), keptWithin)
	defer cancel()
	return s.keeper.Keep(ctx, keptAs, token, strconv.FormatInt(expiry.UnixMilli(), 10)+" "+base64.StdEncoding.EncodeToString(data))
}

func (s *store) Delete(token string) error {
	s.mu.Lock()
	delete(s.all, token)
	s.mu.Unlock()
	if s.keeper == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), keptWithin)
	defer cancel()
	return s.keeper.Forget(ctx, keptAs, token)
}

// tokens lists the hashes of all sessions that which chooses, and of those
// that are over.
func (s *store) tokens(which func(data []byte) bool) (out []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for token, v := range s.all {
		if !v.expiry.After(time.Now()) || which(v.data) {
			out = append(out, token)
		}
	}
	return out
}
