package webpush

import (
	"cmp"
	"context"
	"crypto/ecdh"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"
)

// Keeper is the store for what must outlast a restart: texts by kind and key.
// What Keep and Forget return nil for is committed.
type Keeper interface {
	Kept(ctx context.Context, kind string) (map[string]string, error)
	Keep(ctx context.Context, kind, key, data string) error
	Forget(ctx context.Context, kind, key string) error
}

const kindPhone = "webpush.phone"

// Limits of what somebody subscribes with.
const (
	mostEndpoint = 2048
	mostName     = 60
	mostPhones   = 200
)

// Subscription is how a browser can be reached, in the form that its own
// toJSON gives (Push API §8.1).
type Subscription struct {
	Endpoint string `json:"endpoint"`
	Keys     struct {
		P256dh string `json:"p256dh"`
		Auth   string `json:"auth"`
	} `json:"keys"`
}

// Phone is a browser that has subscribed: of a phone, most of the time.
type Phone struct {
	ID       string    `json:"id"`
	Person   string    `json:"person"`
	Device   string    `json:"device"`
	Since    time.Time `json:"since"`
	Sent     time.Time `json:"sent,omitzero"`    // when a push service last took a message
	Arrived  time.Time `json:"arrived,omitzero"` // when its worker last said that one was shown
	LastSent string    `json:"last_sent,omitempty"`
	LastSeen string    `json:"last_arrived,omitempty"` // keys of those messages
	Trouble  string    `json:"trouble,omitempty"`      // why the last message was refused
}

// kept is a phone as it is stored, with what nobody is shown.
type kept struct {
	Phone
	Subscription Subscription `json:"subscription"`
}

// idOf names a browser without giving away its endpoint, which is a secret.
func idOf(endpoint string) string {
	sum := sha256.Sum256([]byte("phone\x00" + endpoint))
	return base64.RawURLEncoding.EncodeToString(sum[:15])
}

// check says what is wrong with a subscription. Plain lets it be on this
// computer, without TLS.
func (s *Subscription) check(plain bool) error {
	if err := checkEndpoint(s.Endpoint, plain); err != nil {
		return err
	}
	_, err := s.receiver()
	return err
}

func checkEndpoint(endpoint string, plain bool) error {
	u, err := url.Parse(endpoint)
	switch {
	case endpoint == "":
		return errors.New("endpoint: missing: hand in what the browser's subscribe gave")
	case len(endpoint) > mostEndpoint:
		return fmt.Errorf("endpoint: longer than %d bytes", mostEndpoint)
	case err != nil || u.Host == "" || u.User != nil || u.Opaque != "":
		return errors.New("endpoint: not the address of a push service")
	}
	ip, isIP := literal(u.Hostname())
	switch {
	case plain && isIP && ip.IsLoopback():
		return nil
	case u.Scheme != "https":
		return errors.New("endpoint: must be an https address")
	case isIP && !public(ip), !isIP && !strings.Contains(strings.Trim(u.Hostname(), "."), "."):
		return errors.New("endpoint: a push service is not on this computer or in a private network")
	}
	return nil
}

func literal(host string) (netip.Addr, bool) {
	ip, err := netip.ParseAddr(host)
	return ip.Unmap(), err == nil
}

// public reports an address that belongs to nobody's own network.
func public(ip netip.Addr) bool {
	ip = ip.Unmap()
	return ip.IsGlobalUnicast() && !ip.IsPrivate() && !shared.Contains(ip)
}

// shared are addresses of providers' networks (RFC 6598).
var shared = netip.MustParsePrefix("100.64.0.0/10")

func (s *Subscription) receiver() (receiver, error) {
	point, err := unbase64(s.Keys.P256dh)
	if err != nil {
		return receiver{}, errors.New("keys.p256dh: not base64url")
	}
	public, err := ecdh.P256().NewPublicKey(point)
	if err != nil {
		return receiver{}, errors.New("keys.p256dh: not a point of P-256 in 65 bytes")
	}
	auth, err := unbase64(s.Keys.Auth)
	if err != nil || len(auth) != 16 {
		return receiver{}, errors.New("keys.auth: not 16 bytes in base64url")
	}
	return receiver{public, auth}, nil
}

// unbase64 reads base64url; some browsers' libraries pad it.
func unbase64(s string) ([]byte, error) {
	return base64.RawURLEncoding.DecodeString(strings.TrimRight(s, "="))
}

// cleanName is a name as it is kept: one line, not too long.
func cleanName(what, name string) (string, error) {
	name = strings.Join(strings.Fields(name), " ")
	switch {
	case name == "":
		return "", fmt.Errorf("%s: missing", what)
	case utf8.RuneCountInString(name) > mostName:
		return "", fmt.Errorf("%s: longer than %d letters", what, mostName)
	case !utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return "", fmt.Errorf("%s: holds letters that cannot be shown", what)
	}
	return name, nil
}

// phones are the browsers that have subscribed: in memory, and in the store
// with each change.
type phones struct {
	keep Keeper
	mu   sync.Mutex
	all  map[string]kept
}

func readPhones(ctx context.Context, keep Keeper, lost func(id string, err error)) (*phones, error) {
	texts, err := keep.Kept(ctx, kindPhone)
	if err != nil {
		return nil, fmt.Errorf("read the phones: %w", err)
	}
	p := &phones{keep: keep, all: map[string]kept{}}
	for id, text := range texts {
		k, err := decodePhone(text)
		if err != nil {
			lost(id, err)
			continue
		}
		p.all[id] = k
	}
	return p, nil
}

func decodePhone(text string) (kept, error) {
	var k kept
	if err := json.Unmarshal([]byte(text), &k); err != nil {
		return kept{}, errors.New("what is kept of a phone cannot be read") // the cause may quote its secrets
	}
	if _, err := k.Subscription.receiver(); err != nil {
		return kept{}, err
	}
	return k, nil
}

// list are the phones of a person, or all, the earliest first.
func (p *phones) list(person string) []kept {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := slices.Collect(maps.Values(p.all))
	out = slices.DeleteFunc(out, func(k kept) bool { return person != "" && !strings.EqualFold(k.Person, person) })
	slices.SortFunc(out, func(a, b kept) int { return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.ID, b.ID)) })
	return out
}

var (
	errNoPhone = errors.New("no such phone has subscribed")
	errFull    = fmt.Errorf("%d phones have subscribed: remove one first", mostPhones)
)

func (p *phones) find(id string) (kept, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	k, ok := p.all[id]
	if !ok {
		return kept{}, errNoPhone
	}
	return k, nil
}

// put keeps a phone; one that has subscribed before is replaced.
func (p *phones) put(ctx context.Context, k kept) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if _, known := p.all[k.ID]; !known && len(p.all) >= mostPhones {
		return errFull
	}
	return p.putLocked(ctx, k)
}

func (p *phones) putLocked(ctx context.Context, k kept) error {
	b, err := json.Marshal(&k)
	if err != nil {
		return fmt.Errorf("keep a phone: %w", err)
	}
	if err := p.keep.Keep(ctx, kindPhone, k.ID, string(b)); err != nil {
		return fmt.Errorf("keep a phone: %w", err)
	}
	p.all[k.ID] = k
	return nil
}

// change notes something about a phone that may have gone meanwhile.
func (p *phones) change(ctx context.Context, id string, by func(*Phone)) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	k, ok := p.all[id]
	if !ok {
		return errNoPhone
	}
	by(&k.Phone)
	return p.putLocked(ctx, k)
}

func (p *phones) forget(ctx context.Context, id string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if _, ok := p.all[id]; !ok {
		return errNoPhone
	}
	if err := p.keep.Forget(ctx, kindPhone, id); err != nil {
		return fmt.Errorf("forget a phone: %w", err)
	}
	delete(p.all, id)
	return nil
}
