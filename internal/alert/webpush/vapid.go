package webpush

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/mail"
	"net/netip"
	"net/url"
	"strings"
	"time"
)

// tokenLasts is how long a signed token is good; push services refuse more than
// 24 h (RFC 8292 §2). The rest allows for clocks that differ.
const tokenLasts = 12 * time.Hour

// CheckContact says what is wrong with the address under which a push service
// can reach whoever runs the bench. Push services refuse contacts that cannot
// be one.
func CheckContact(contact string) error {
	u, err := url.Parse(contact)
	host := ""
	switch {
	case err != nil:
		return fmt.Errorf("contact %q is no address: use mailto: with an e-mail address, or an https: page", contact)
	case u.Scheme == "https":
		host = u.Hostname()
	case u.Scheme == "mailto":
		if host, err = hostOfMail(u); err != nil {
			return fmt.Errorf("contact %q: %w", contact, err)
		}
	default:
		return fmt.Errorf("contact %q must begin with mailto: or https: and say whom to reach", contact)
	}
	if !reachableName(host) {
		return fmt.Errorf("contact %q: push services refuse %q: use an address that others can reach", contact, host)
	}
	return nil
}

func hostOfMail(u *url.URL) (string, error) {
	text, err := url.PathUnescape(u.Opaque)
	if err != nil {
		return "", errors.New("no e-mail address")
	}
	a, err := mail.ParseAddress(text)
	if err != nil || a.Name != "" {
		return "", errors.New("no e-mail address")
	}
	return a.Address[strings.LastIndexByte(a.Address, '@')+1:], nil
}

// reachableName reports the name of a host that is not only known at the bench.
func reachableName(host string) bool {
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	if _, err := netip.ParseAddr(host); err == nil {
		return false
	}
	last := host[strings.LastIndexByte(host, '.')+1:]
	switch last {
	case "localhost", "local", "invalid", "test", "internal", "lan":
		return false
	}
	return last != host
}

// signer says to push services which bench sends.
type signer struct {
	key     *ecdsa.PrivateKey
	public  string // as browsers want it to subscribe: uncompressed point, base64url
	contact string
}

// Where the key is kept.
const (
	kindKey  = "webpush.key"
	keyVAPID = "vapid"
)

// newSigner reads the key from the store, or makes it: all phones that have
// subscribed are bound to it.
func newSigner(ctx context.Context, keep Keeper, contact string) (*signer, error) {
	kept, err := keep.Kept(ctx, kindKey)
	if err != nil {
		return nil, fmt.Errorf("read the key of web push: %w", err)
	}
	if text, ok := kept[keyVAPID]; ok {
		return signerOf(text, contact)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("make a key for web push: %w", err)
	}
	raw, err := key.Bytes()
	if err != nil {
		return nil, fmt.Errorf("make a key for web push: %w", err)
	}
	text := base64.RawURLEncoding.EncodeToString(raw)
	if err := keep.Keep(ctx, kindKey, keyVAPID, text); err != nil {
		return nil, fmt.Errorf("keep the key of web push: %w", err)
	}
	return signerOf(text, contact)
}

var errKey = errors.New("the key of web push that is kept cannot be read: without it no phone that has subscribed can be reached")

func signerOf(text, contact string) (*signer, error) {
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return nil, errKey // the cause would quote the key
	}
	key, err := ecdsa.ParseRawPrivateKey(elliptic.P256(), raw)
	if err != nil {
		return nil, errKey
	}
	public, err := key.PublicKey.Bytes()
	if err != nil {
		return nil, errKey
	}
	return &signer{key: key, public: base64.RawURLEncoding.EncodeToString(public), contact: contact}, nil
}

// authorization is the header that a push service asks for (RFC 8292 §3).
func (s *signer) authorization(endpoint *url.URL, now time.Time) (string, error) {
	token, err := s.token(origin(endpoint), now.Add(tokenLasts))
	if err != nil {
		return "", err
	}
	return "vapid t=" + token + ", k=" + s.public, nil
}

// token is a JSON Web Token signed by ES256 (RFC 7515, RFC 7518 §3.4).
func (s *signer) token(audience string, expires time.Time) (string, error) {
	claims, err := json.Marshal(struct {
		Audience string `json:"aud"`
		Expires  int64  `json:"exp"`
		Subject  string `json:"sub"`
	}{audience, expires.Unix(), s.contact})
	if err != nil {
		return "", fmt.Errorf("sign for web push: %w", err)
	}
	text := part([]byte(`{"typ":"JWT","alg":"ES256"}`)) + "." + part(claims)
	digest := sha256.Sum256([]byte(text))
	r, v, err := ecdsa.Sign(rand.Reader, s.key, digest[:])
	if err != nil {
		return "", fmt.Errorf("sign for web push: %w", err)
	}
	signature := make([]byte, 64)
	r.FillBytes(signature[:32])
	v.FillBytes(signature[32:])
	return text + "." + part(signature), nil
}

func part(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// origin is scheme, host and a port that is not the usual one (RFC 6454 §6.2).
func origin(u *url.URL) string {
	host := strings.ToLower(u.Host)
	if u.Port() == "443" && u.Scheme == "https" {
		host = strings.TrimSuffix(host, ":443")
	}
	return u.Scheme + "://" + host
}
