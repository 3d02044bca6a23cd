package email

import (
	"context"
	"crypto/tls"
	"errors"
	"net"
	"sync/atomic"
	"time"

	gomail "github.com/wneessen/go-mail"
	"github.com/wneessen/go-mail/smtp"
)

// portTLS is where TLS begins at once (RFC 8314 §3.3).
const portTLS = 465

// goodbye is for how long the end of a session is waited for: by then
// everything is decided.
const goodbye = time.Second

// mostHeard bounds what a server may say in one session, in bytes.
const mostHeard = 1 << 20

// session is one connection to the server, logged in. It ends with its context
// whatever the server does.
type session struct {
	client *gomail.Client
	smtp   *smtp.Client
	conn   net.Conn
	stop   func() bool
}

func (o *Outlet) dial(ctx context.Context) (*session, error) {
	s := &session{}
	client, err := gomail.NewClient(o.host, o.settings(ctx, s)...)
	if err != nil {
		return nil, err
	}
	s.client = client
	if s.smtp, err = client.DialToSMTPClientWithContext(ctx); err != nil {
		s.end()
		return nil, err
	}
	return s, nil
}

func (o *Outlet) settings(ctx context.Context, s *session) []gomail.Option {
	policy := gomail.TLSMandatory
	if o.o.Plain {
		policy = gomail.NoTLS
	}
	settings := []gomail.Option{
		gomail.WithPort(o.port), gomail.WithTimeout(o.o.Timeout), gomail.WithTLSPolicy(policy), gomail.WithTLSConfig(o.tls()),
		gomail.WithoutRset(), gomail.WithoutNoop(),
		gomail.WithDialContextFunc(func(_ context.Context, network, address string) (net.Conn, error) {
			return s.connect(ctx, network, address, o)
		}),
	}
	if o.port == portTLS && !o.o.Plain {
		settings = append(settings, gomail.WithSSL())
	}
	if o.o.User != "" {
		settings = append(settings, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(o.o.User), gomail.WithPassword(o.o.Password))
	}
	return settings
}

func (o *Outlet) tls() *tls.Config {
	return &tls.Config{ServerName: o.host, RootCAs: o.o.Roots, MinVersion: tls.VersionTLS12}
}

// connect makes the connection and ties it to the context.
func (s *session) connect(ctx context.Context, network, address string, o *Outlet) (net.Conn, error) {
	raw, err := (&net.Dialer{}).DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	s.conn = &bounded{Conn: raw}
	s.stop = context.AfterFunc(ctx, func() { _ = raw.Close() })
	if o.port != portTLS || o.o.Plain {
		return s.conn, nil
	}
	secured := tls.Client(s.conn, o.tls())
	if err := secured.HandshakeContext(ctx); err != nil {
		s.end()
		return nil, err
	}
	return secured, nil
}

// close says goodbye, and does not wait long for an answer.
func (s *session) close() {
	late := time.AfterFunc(goodbye, func() { _ = s.conn.Close() })
	_ = s.client.CloseWithSMTPClient(s.smtp)
	late.Stop()
	s.end()
}

func (s *session) end() {
	if s.conn != nil {
		s.stop()
		_ = s.conn.Close()
	}
}

// bounded is a connection on which a server cannot talk for ever.
type bounded struct {
	net.Conn
	heard atomic.Int64
}

var errTalks = errors.New("the mail server talks without end")

// Read reads what is within the bound.
func (b *bounded) Read(p []byte) (int, error) {
	if b.heard.Load() > mostHeard {
		return 0, errTalks
	}
	n, err := b.Conn.Read(p)
	b.heard.Add(int64(n))
	return n, err
}
