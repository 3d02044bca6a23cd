package webpushtest

import (
	"crypto/ecdh"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Service is a push service on this computer, and the browsers that are
// subscribed at it. It takes only what RFC 8030, 8188, 8291 and 8292 allow, and
// decrypts it at once.
type Service struct {
	URL    string
	server *httptest.Server

	mu       sync.Mutex
	browsers map[string]*Browser // by path
	taken    []Taken
	faults   []error
	instead  http.HandlerFunc
}

// Taken is a message that the service took.
type Taken struct {
	Browser *Browser
	Header  http.Header
	Plain   []byte
	Size    int // of the body
}

// NewService starts one; Close ends it.
func NewService() *Service {
	s := &Service{browsers: map[string]*Browser{}}
	s.server = httptest.NewServer(s)
	s.URL = s.server.URL
	return s
}

// Close ends the service.
func (s *Service) Close() { s.server.Close() }

// Instead answers all requests from now on in another way, nil: as usual.
func (s *Service) Instead(h http.HandlerFunc) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.instead = h
}

// Taken are the messages taken so far.
func (s *Service) Taken() []Taken {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.taken)
}

// Faults are what was wrong with requests.
func (s *Service) Faults() []error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.faults)
}

// Refuse answers a code for one browser from now on, 0: as usual.
func (s *Service) Refuse(b *Browser, code int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	b.code = code
}

// Browser is one that has subscribed.
type Browser struct {
	Endpoint string
	key      *ecdh.PrivateKey
	auth     []byte
	code     int // answered for it; guarded by the service's mu
}

// Subscribe makes a browser.
func (s *Service) Subscribe() (*Browser, error) {
	key, err := ecdh.P256().GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	b := &Browser{key: key, auth: make([]byte, 16)}
	_, _ = rand.Read(b.auth) // never fails
	path := "/push/" + rand.Text()
	b.Endpoint = s.URL + path
	s.mu.Lock()
	defer s.mu.Unlock()
	s.browsers[path] = b
	return b, nil
}

// Leave ends a browser's subscription: the service knows it no more.
func (s *Service) Leave(b *Browser) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.browsers, strings.TrimPrefix(b.Endpoint, s.URL))
}

// JSON is the subscription as a browser's toJSON gives it.
func (b *Browser) JSON() json.RawMessage {
	text, _ := json.Marshal(map[string]any{ // strings only: never fails
		"endpoint": b.Endpoint, "expirationTime": nil,
		"keys": map[string]string{"p256dh": encode(b.key.PublicKey().Bytes()), "auth": encode(b.auth)},
	})
	return text
}

// Open decrypts a message for it.
func (b *Browser) Open(body []byte) ([]byte, error) { return Open(body, b.key, b.auth) }

func encode(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// ServeHTTP takes a message, or says what is wrong with it.
func (s *Service) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	instead, b, code := s.instead, s.browsers[r.URL.Path], http.StatusGone
	if b != nil {
		code = b.code
	}
	s.mu.Unlock()
	switch {
	case instead != nil:
		instead(w, r)
		return
	case code != 0:
		http.Error(w, "not now, or never", code)
		return
	}
	body, err := io.ReadAll(io.LimitReader(r.Body, 1<<20))
	var plain []byte
	if err == nil {
		plain, err = s.take(r, b, body)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		s.faults = append(s.faults, err)
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	s.taken = append(s.taken, Taken{b, r.Header.Clone(), plain, len(body)})
	w.Header().Set("Location", s.URL+"/message/"+strconv.Itoa(len(s.taken)))
	w.WriteHeader(http.StatusCreated)
}

var topic = regexp.MustCompile(`^[A-Za-z0-9_-]{1,32}$`)

// take holds a request against the RFCs.
func (s *Service) take(r *http.Request, b *Browser, body []byte) ([]byte, error) {
	if r.Method != http.MethodPost || r.Header.Get("Content-Encoding") != "aes128gcm" {
		return nil, errors.New("not a POST in aes128gcm")
	}
	if len(body) > 4096 {
		return nil, fmt.Errorf("%d bytes", len(body))
	}
	if _, err := strconv.ParseUint(r.Header.Get("TTL"), 10, 31); err != nil {
		return nil, fmt.Errorf("TTL: %w", err)
	}
	if u := r.Header.Get("Urgency"); u != "" && !slices.Contains([]string{"very-low", "low", "normal", "high"}, u) {
		return nil, fmt.Errorf("urgency %q", u)
	}
	if t := r.Header.Get("Topic"); t != "" && !topic.MatchString(t) {
		return nil, fmt.Errorf("topic %q", t)
	}
	if _, err := Verify(r.Header.Get("Authorization"), s.URL, time.Now()); err != nil {
		return nil, err
	}
	return b.Open(body)
}

// Verify checks the header by which a sender names itself (RFC 8292): signature,
// audience, time and contact. It gives the public key.
func Verify(authorization, audience string, now time.Time) (key string, err error) {
	text, ok := strings.CutPrefix(authorization, "vapid ")
	token, key, both := strings.Cut(text, ", k=")
	token, named := strings.CutPrefix(token, "t=")
	if !ok || !both || !named {
		return "", fmt.Errorf("authorization %q", authorization)
	}
	claims, err := verifyToken(token, key)
	if err != nil {
		return "", err
	}
	expires := time.Unix(claims.Expires, 0)
	contact, err := url.Parse(claims.Subject)
	switch {
	case claims.Audience != audience:
		return "", fmt.Errorf("aud %q, this is %q", claims.Audience, audience)
	case !expires.After(now) || expires.After(now.Add(24*time.Hour)):
		return "", fmt.Errorf("exp %v", expires)
	case err != nil || contact.Scheme != "mailto" && contact.Scheme != "https":
		return "", fmt.Errorf("sub %q", claims.Subject)
	}
	return key, nil
}

type claims struct {
	Audience string `json:"aud"`
	Expires  int64  `json:"exp"`
	Subject  string `json:"sub"`
}

// verifyToken checks a JSON Web Token in ES256 (RFC 7515 §5.2).
func verifyToken(token, key string) (c claims, err error) {
	parts := strings.Split(token, ".")
	if len(parts) != 3 {
		return c, fmt.Errorf("token of %d parts", len(parts))
	}
	var raw [4][]byte
	for i, p := range append(parts, key) {
		if raw[i], err = base64.RawURLEncoding.DecodeString(p); err != nil {
			return c, fmt.Errorf("part %d of the token: %w", i, err)
		}
	}
	var h struct{ Typ, Alg string }
	if err := json.Unmarshal(raw[0], &h); err != nil || h.Alg != "ES256" || h.Typ != "JWT" {
		return c, fmt.Errorf("header %s", raw[0])
	}
	public, err := ecdsa.ParseUncompressedPublicKey(elliptic.P256(), raw[3])
	if err != nil || len(raw[2]) != 64 {
		return c, fmt.Errorf("key %q, signature of %d bytes: %w", key, len(raw[2]), err)
	}
	digest := sha256.Sum256([]byte(parts[0] + "." + parts[1]))
	if !ecdsa.Verify(public, digest[:], new(big.Int).SetBytes(raw[2][:32]), new(big.Int).SetBytes(raw[2][32:])) {
		return c, errors.New("the signature is wrong")
	}
	return c, json.Unmarshal(raw[1], &c)
}
