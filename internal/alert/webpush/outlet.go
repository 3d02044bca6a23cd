package webpush

import (
	"bytes"
	"cmp"
	"context"
	"crypto/ecdh"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"sync"
	"syscall"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/partly"
	"benchvigil/internal/logkey"
)

// Options of an Outlet. Name, Contact and Keep are needed.
type Options struct {
	Name    string // of the outlet
	Contact string // mailto: or https:, for push services that have something to say; see CheckContact
	Keep    Keeper // the ledger
	Logger  *zap.Logger
	Timeout time.Duration // for one push service to answer; 0: 15 s
	// Gone is told of a phone that its push service knows no more, after it was
	// forgotten: somebody has to subscribe anew. It must not block. nil: only the
	// log says so.
	Gone func(Phone)
	// Acknowledge takes the acknowledgement of an alert from a phone's
	// notification; nil: it cannot be done.
	Acknowledge func(ctx context.Context, alertKey, by string) error
	// Transport carries requests to push services; nil: one that connects to
	// public addresses only.
	Transport http.RoundTripper
	Plain     bool // push services on this computer, without TLS, are taken: for tests
}

func (o *Options) validate() error {
	if o.Name == "" || o.Keep == nil {
		return errors.New("web push: Name and Keep are needed")
	}
	if err := CheckContact(o.Contact); err != nil {
		return fmt.Errorf("web push: %w", err)
	}
	o.Timeout = cmp.Or(o.Timeout, 15*time.Second)
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	if o.Transport == nil {
		o.Transport = transport(o.Plain)
	}
	return nil
}

// Outlet sends to all phones that have subscribed. Any goroutine may use it.
type Outlet struct {
	o      Options
	sign   *signer
	phones *phones
	client *http.Client
	got    partly.Book
}

// New reads keys and phones from the store, and makes the keys at the first
// start.
func New(ctx context.Context, o Options) (*Outlet, error) {
	if err := o.validate(); err != nil {
		return nil, err
	}
	sign, err := newSigner(ctx, o.Keep, o.Contact)
	if err != nil {
		return nil, err
	}
	lost := func(id string, err error) {
		o.Logger.Error("a phone must subscribe anew", zap.String("phone", id), logkey.Err(err))
	}
	p, err := readPhones(ctx, o.Keep, lost)
	if err != nil {
		return nil, err
	}
	stay := func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return &Outlet{o: o, sign: sign, phones: p, client: &http.Client{Transport: o.Transport, CheckRedirect: stay, Timeout: o.Timeout}}, nil
}

// transport connects to public addresses only: an endpoint comes from whoever
// subscribes, and must not lead into the network of the bench, whatever its
// name points to.
func transport(plain bool) *http.Transport {
	d := &net.Dialer{Timeout: 10 * time.Second, Control: func(_, address string, _ syscall.RawConn) error {
		to, err := netip.ParseAddrPort(address)
		if err != nil || !public(to.Addr()) && !(plain && to.Addr().IsLoopback()) {
			return errors.New("not a public address")
		}
		return nil
	}}
	return &http.Transport{
		DialContext: d.DialContext, ForceAttemptHTTP2: true, TLSHandshakeTimeout: 10 * time.Second,
		MaxIdleConns: 10, IdleConnTimeout: time.Minute, MaxResponseHeaderBytes: 64 << 10,
	}
}

// String is the name of the outlet.
func (o *Outlet) String() string { return o.o.Name }

// PublicKey is what browsers subscribe with: an uncompressed point of P-256 in
// base64url.
func (o *Outlet) PublicKey() string { return o.sign.public }

// Phones are those that have subscribed, the earliest first.
func (o *Outlet) Phones() []Phone {
	var out []Phone
	for _, k := range o.phones.list("") {
		out = append(out, k.Phone)
	}
	return out
}

// Close closes idle connections.
func (o *Outlet) Close() { o.client.CloseIdleConnections() }

// atOnce is how many push services are asked at a time.
const atOnce = 4

// Deliver hands a message to the push services of all phones of m.To. It is
// done when each phone's has taken or finally refused it and at least one has
// taken it. Phones reached by an earlier try of the same message are left out.
func (o *Outlet) Deliver(ctx context.Context, m *alert.Message) error {
	to := o.phones.list(m.To)
	if len(to) == 0 {
		return alert.Permanent(fmt.Errorf("%s: no phone of %s has subscribed", o, cmp.Or(m.To, "anybody")))
	}
	var (
		mu sync.Mutex
		r  result
	)
	var g errgroup.Group
	g.SetLimit(atOnce)
	for _, k := range to {
		g.Go(func() error {
			err := o.once(ctx, m, k)
			mu.Lock()
			defer mu.Unlock()
			r.add(err)
			return nil
		})
	}
	_ = g.Wait() // results are in r
	err := r.judge()
	if err == nil || alert.IsPermanent(err) {
		o.got.Done(m.Key)
	}
	return err
}

// result gathers what became of a message.
type result struct {
	reached          int
	refused, pending []error
	wait             time.Duration // the shortest that a push service asked for
}

func (r *result) add(err error) {
	switch wait := alert.Wait(err); {
	case err == nil:
		r.reached++
	case alert.IsPermanent(err):
		r.refused = append(r.refused, err)
	default:
		if len(r.pending) == 0 || wait < r.wait {
			r.wait = wait
		}
		r.pending = append(r.pending, err)
	}
}

// judge is what the whole delivery came to: whoever can still be reached is
// worth another try.
func (r *result) judge() error {
	switch {
	case len(r.pending) > 0 && r.wait > 0:
		return alert.Later(errors.Join(r.pending...), r.wait)
	case len(r.pending) > 0:
		return errors.Join(r.pending...)
	case r.reached == 0:
		return alert.Permanent(errors.Join(r.refused...))
	}
	return nil
}

// once sends to one phone unless it has the message.
func (o *Outlet) once(ctx context.Context, m *alert.Message, k kept) error {
	if o.got.Has(m.Key, k.ID) {
		return nil
	}
	err := o.send(ctx, m, &k)
	if err == nil {
		o.got.Note(m.Key, k.ID)
	}
	o.note(ctx, m, k, err)
	if err != nil {
		return fmt.Errorf("%s: %s of %s: %w", o, k.Device, k.Person, err)
	}
	return nil
}

var errGone = errors.New("its subscription is gone: the phone must subscribe anew")

// note keeps what became of a message to a phone, even where there is no time
// left to send more. The message itself does not depend on it.
func (o *Outlet) note(ctx context.Context, m *alert.Message, k kept, result error) {
	ctx = context.WithoutCancel(ctx)
	var err error
	switch {
	case errors.Is(result, errGone):
		err = o.phones.forget(ctx, k.ID)
		o.o.Logger.Error("a phone must subscribe anew: its push service knows it no more",
			zap.String("outlet", o.String()), zap.String("phone", k.Device), zap.String("person", k.Person))
		if o.o.Gone != nil {
			o.o.Gone(k.Phone)
		}
	case result == nil:
		now := time.Now()
		err = o.phones.change(ctx, k.ID, func(p *Phone) { p.Sent, p.LastSent, p.Trouble = now, m.Key, "" })
	default:
		err = o.phones.change(ctx, k.ID, func(p *Phone) { p.Trouble = result.Error() })
	}
	if err != nil && !errors.Is(err, errNoPhone) {
		o.o.Logger.Warn("what became of a push message is not kept", zap.String("outlet", o.String()), logkey.Err(err))
	}
}

// send makes one request to one push service.
func (o *Outlet) send(ctx context.Context, m *alert.Message, k *kept) error {
	r, err := o.request(ctx, m, k)
	if err != nil {
		return alert.Permanent(err)
	}
	answer, err := o.client.Do(r)
	if err != nil {
		return hidden(err)
	}
	_ = answer.Body.Close() // the status has decided; nothing more is waited for
	return verdict(answer, time.Now())
}

func (o *Outlet) request(ctx context.Context, m *alert.Message, k *kept) (*http.Request, error) {
	if err := k.Subscription.check(o.o.Plain); err != nil {
		return nil, err
	}
	u, err := url.Parse(k.Subscription.Endpoint)
	if err != nil {
		return nil, errors.New("endpoint: not the address of a push service")
	}
	body, err := bodyFor(m, k)
	if err != nil {
		return nil, err
	}
	authorization, err := o.sign.authorization(u, time.Now())
	if err != nil {
		return nil, err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, u.String(), bytes.NewReader(body))
	if err != nil {
		return nil, errors.New("endpoint: not the address of a push service")
	}
	for name, value := range map[string]string{
		"Authorization": authorization, "Content-Type": "application/octet-stream", "Content-Encoding": "aes128gcm",
		"TTL": strconv.Itoa(lifetimeOf(m)), "Urgency": urgencyOf(m), "Topic": topicOf(m.Alert.Key),
	} {
		r.Header.Set(name, value)
	}
	return r, nil
}

// bodyFor encrypts a message for a phone, with a new key pair and salt.
func bodyFor(m *alert.Message, k *kept) ([]byte, error) {
	plain, err := fit(payloadOf(m, k.ID))
	if err != nil {
		return nil, err
	}
	to, err := k.Subscription.receiver()
	if err != nil {
		return nil, err
	}
	once, err := ecdh.P256().GenerateKey(rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("make a key: %w", err)
	}
	salt := make([]byte, 16)
	_, _ = rand.Read(salt) // never fails
	return seal(plain, to, once, salt, paddingFor(len(plain)))
}

// hidden takes the endpoint out of an error, because whoever knows it can send
// to the phone.
func hidden(err error) error {
	if u, ok := errors.AsType[*url.Error](err); ok {
		return fmt.Errorf("push service: %w", u.Err)
	}
	return errors.New("push service: no answer")
}

// verdict reads the answer of a push service (RFC 8030 §5, RFC 8292 §4).
func verdict(answer *http.Response, now time.Time) error {
	code := answer.StatusCode
	err := fmt.Errorf("the push service answers %d %s", code, http.StatusText(code))
	switch {
	case code >= 200 && code < 300:
		return nil
	case code == http.StatusNotFound || code == http.StatusGone:
		return alert.Permanent(errGone)
	case code == http.StatusTooManyRequests, code == http.StatusRequestTimeout, code == http.StatusTooEarly, code >= 500:
		if wait := retryAfter(answer.Header.Get("Retry-After"), now); wait > 0 {
			return alert.Later(err, wait)
		}
		return err
	}
	return alert.Permanent(err)
}

// mostWait bounds what a push service may ask for.
const mostWait = time.Hour

// retryAfter reads seconds or a date (RFC 9110 §10.2.3), 0 for neither.
func retryAfter(text string, now time.Time) time.Duration {
	if n, err := strconv.ParseUint(text, 10, 31); err == nil {
		return min(time.Duration(n)*time.Second, mostWait)
	}
	if at, err := http.ParseTime(text); err == nil {
		return min(max(at.Sub(now), 0), mostWait)
	}
	return 0
}
