package email_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"io"
	"log"
	"math/big"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/email"
	"benchvigil/internal/alert/outlettest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const password = "not-to-be-seen-4711"

// sink is an SMTP server on this computer that keeps what it takes.
type sink struct {
	address string
	roots   *x509.CertPool

	mu     sync.Mutex
	taken  []taken
	refuse map[string]error // answers to RCPT by address
	err    error            // answer to DATA
	auth   error
}

type taken struct {
	to   string
	mail *mail.Message
	body string
}

// newSink starts one with a certificate of its own authority.
func newSink(t *testing.T, change ...func(*smtp.Server)) *sink {
	t.Helper()
	s := &sink{refuse: map[string]error{}}
	server := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return &session{s: s}, nil }))
	server.Domain, server.ErrorLog = "mail.example.com", log.New(io.Discard, "", 0)
	var cert tls.Certificate
	cert, s.roots = authority(t)
	server.TLSConfig = &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}
	for _, f := range change {
		f(server)
	}
	l := listen(t)
	s.address = l.Addr().String()
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(l) }()
	t.Cleanup(func() { _, _ = l.Close(), server.Close(); <-done })
	return s
}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// authority makes a certificate for 127.0.0.1 and who vouches for it.
func authority(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "mail of a test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(leaf)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, pool
}

func (s *sink) all() []taken {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.taken)
}

// session is one connection to the sink.
type session struct {
	s  *sink
	to string
}

func (c *session) Reset()                                   {}
func (c *session) Logout() error                            { return nil }
func (c *session) AuthMechanisms() []string                 { return []string{sasl.Plain} }
func (c *session) Mail(_ string, _ *smtp.MailOptions) error { return nil }

func (c *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, pass string) error {
		if user != "bench" || pass != password {
			return smtp.ErrAuthFailed
		}
		return c.s.auth
	}), nil
}

func (c *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	c.s.mu.Lock()
	defer c.s.mu.Unlock()
	c.to = to
	return c.s.refuse[to]
}

func (c *session) Data(r io.Reader) error {
	m, err := mail.ReadMessage(r)
	if err != nil {
		return err
	}
	body, err := io.ReadAll(m.Body)
	if err != nil {
		return err
	}
	c.s.mu.Lock()
	defer c.s.mu.Unlock()
	if c.s.err == nil {
		c.s.taken = append(c.s.taken, taken{c.to, m, string(body)})
	}
	return c.s.err
}

func options(s *sink) email.Options {
	return email.Options{
		Name: "mail", Server: s.address, User: "bench", Password: password, From: "Bench north <bench@shop.example.com>",
		To: []string{"kim@shop.example.com"}, Roots: s.roots, Timeout: 10 * time.Second, Zone: time.UTC,
	}
}

func outlet(t *testing.T, o email.Options) *email.Outlet {
	t.Helper()
	out, err := email.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// parts are the texts of a mail by type.
func parts(t *testing.T, m taken) map[string]string {
	t.Helper()
	kind, params, err := mime.ParseMediaType(m.mail.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/alternative" {
		t.Fatalf("%s: %v", kind, err)
	}
	out := map[string]string{}
	for r := multipart.NewReader(strings.NewReader(m.body), params["boundary"]); ; {
		p, err := r.NextRawPart()
		if errors.Is(err, io.EOF) {
			return out
		} else if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(quotedprintable.NewReader(p))
		if err != nil {
			t.Fatal(err)
		}
		kind, _, _ := mime.ParseMediaType(p.Header.Get("Content-Type"))
		out[kind] = strings.ReplaceAll(string(b), "\r\n", "\n")
	}
}

func TestMail(t *testing.T) {
	s := newSink(t)
	m := outlettest.Message(alert.Raised)
	m.Alert.Why = append(m.Alert.Why, "<b>3 & 4</b>")
	if err := outlet(t, options(s)).Deliver(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	got := s.all()[0]
	h := got.mail.Header
	for name, want := range map[string]string{
		"From": `"Bench north" <bench@shop.example.com>`, "To": "<kim@shop.example.com>", "Auto-Submitted": "auto-generated",
		"Importance": "high", "Date": "Mon, 02 Mar 2026 21:14:05 +0000", "Subject": "left: dropped at 21:14:05 while restoring",
	} {
		if h.Get(name) != want {
			t.Errorf("%s: %q, want %q", name, h.Get(name), want)
		}
	}
	p := parts(t, got)
	const want = `left: dropped at 21:14:05 while restoring

Up 1:12:03 of 2 h. 0.412 A before, 0.002 A now. Check the supply.

What to do: Check the supply, then start again.

Why:
- current fell within 100 ms
- USB went with it — naïve cable?
- <b>3 & 4</b>

Station: left
Case: C-0042
Since: 2 Mar 2026, 21:14:05 UTC
Current now: 2.00 mA
Just before: 412 mA

https://bench.example/alerts/s1.dropped.1772486045120

-- 
benchvigil at bench
`
	if diff := cmp.Diff(want, p["text/plain"]); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for _, want := range []string{"<h1 ", "&lt;b&gt;3 &amp; 4&lt;/b&gt;", `<a href="https://bench.example/alerts/s1.dropped.1772486045120">`, "naïve"} {
		if !strings.Contains(p["text/html"], want) {
			t.Errorf("HTML without %s:\n%s", want, p["text/html"])
		}
	}
}

// All tries of a message have one Message-ID, and all messages of an alert
// refer to the same.
func TestThread(t *testing.T) {
	s := newSink(t)
	o := outlet(t, options(s))
	other := outlettest.Message(alert.Raised)
	other.Key, other.Alert.Key = "other", "s2.dropped.1"
	for _, m := range []*alert.Message{outlettest.Message(alert.Raised), outlettest.Message(alert.Raised), outlettest.Message(alert.Returned), other} {
		if err := o.Deliver(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
	var ids, threads []string
	for _, m := range s.all() {
		ids, threads = append(ids, m.mail.Header.Get("Message-Id")), append(threads, m.mail.Header.Get("References"))
		if m.mail.Header.Get("In-Reply-To") != m.mail.Header.Get("References") {
			t.Error("In-Reply-To is not what the mail refers to")
		}
		if !strings.HasSuffix(ids[0], "@shop.example.com>") {
			t.Errorf("ID %s", ids[0])
		}
	}
	if len(ids) != 4 || ids[0] != ids[1] || ids[0] == ids[2] || ids[2] == ids[3] || threads[0] != threads[2] || threads[0] == threads[3] || threads[0] == ids[0] {
		t.Errorf("IDs %q, threads %q", ids, threads)
	}
}

// What people call things cannot begin another header.
func TestInjection(t *testing.T) {
	s := newSink(t)
	m := outlettest.Message(alert.Raised)
	m.Alert.Title = "left\r\nBcc: everybody@example.com\r\n\r\nhello \u2028\x00 naïve" + strings.Repeat(" long", 100)
	m.Link = "javascript:alert(1)"
	if err := outlet(t, options(s)).Deliver(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	got := s.all()[0]
	subject, err := (&mime.WordDecoder{}).DecodeHeader(got.mail.Header.Get("Subject"))
	if err != nil || got.mail.Header.Get("Bcc") != "" || !strings.HasPrefix(subject, "left Bcc: everybody@example.com hello naïve") || len([]rune(subject)) > 150 {
		t.Errorf("subject %q, Bcc %q, %v", subject, got.mail.Header.Get("Bcc"), err)
	}
	for kind, text := range parts(t, got) {
		if strings.Contains(text, "javascript") {
			t.Errorf("%s has a link that is none", kind)
		}
	}
}

// One who is refused keeps the mail from nobody else, and nobody gets it twice.
func TestReceivers(t *testing.T) {
	s := newSink(t)
	o := options(s)
	o.To = []string{"kim@shop.example.com", "lee@shop.example.com", "noor@shop.example.com"}
	o.People = map[string][]string{"ada": {"ada@shop.example.com"}}
	s.refuse["kim@shop.example.com"] = &smtp.SMTPError{Code: 550, Message: "no such user"}
	s.refuse["lee@shop.example.com"] = &smtp.SMTPError{Code: 451, Message: "greylisted"}
	out := outlet(t, o)
	m := outlettest.Message(alert.Raised)
	for range 2 {
		if err := out.Deliver(t.Context(), m); err == nil || alert.IsPermanent(err) || !strings.Contains(err.Error(), "greylisted") {
			t.Errorf("one is to be tried again: %v", err)
		}
	}
	s.mu.Lock()
	delete(s.refuse, "lee@shop.example.com")
	s.mu.Unlock()
	if err := out.Deliver(t.Context(), m); err != nil {
		t.Error(err)
	}
	m.To, m.Key = "ada", "another"
	if err := out.Deliver(t.Context(), m); err != nil {
		t.Error(err)
	}
	var to []string
	for _, x := range s.all() {
		to = append(to, x.to)
	}
	if diff := cmp.Diff([]string{"noor@shop.example.com", "lee@shop.example.com", "ada@shop.example.com"}, to); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// A password goes to nobody who is not known, and an alert neither.
func TestTLS(t *testing.T) {
	t.Run("unknown authority", func(t *testing.T) {
		s := newSink(t)
		o := options(s)
		o.Roots = x509.NewCertPool()
		if err := outlet(t, o).Deliver(t.Context(), outlettest.Message(alert.Raised)); err == nil || alert.IsPermanent(err) || len(s.all()) != 0 {
			t.Errorf("%v", err)
		}
	})
	t.Run("no STARTTLS", func(t *testing.T) {
		s := newSink(t, func(s *smtp.Server) { s.TLSConfig = nil; s.AllowInsecureAuth = true })
		if err := outlet(t, options(s)).Deliver(t.Context(), outlettest.Message(alert.Raised)); err == nil || !strings.Contains(err.Error(), "STARTTLS") || len(s.all()) != 0 {
			t.Errorf("%v", err)
		}
		o := options(s)
		o.Plain, o.User, o.Password = true, "", ""
		if err := outlet(t, o).Deliver(t.Context(), outlettest.Message(alert.Raised)); err != nil || len(s.all()) != 1 {
			t.Errorf("on this computer, as asked: %v", err)
		}
	})
	t.Run("wrong password", func(t *testing.T) {
		s := newSink(t)
		o := options(s)
		o.Password = "another"
		if err := outlet(t, o).Deliver(t.Context(), outlettest.Message(alert.Raised)); !alert.IsPermanent(err) {
			t.Errorf("%v", err)
		}
	})
}

func TestNew(t *testing.T) {
	good := email.Options{Name: "mail", Server: "mail.example.com:587", From: "bench@shop.example.com", To: []string{"kim@shop.example.com"}}
	for want, change := range map[string]func(*email.Options){
		"":                     func(*email.Options) {},
		"host:port":            func(o *email.Options) { o.Server = "mail.example.com" },
		"65535":                func(o *email.Options) { o.Server = "mail.example.com:0" },
		`from "bench"`:         func(o *email.Options) { o.From = "bench" },
		"whom":                 func(o *email.Options) { o.To = nil },
		`to "kim"`:             func(o *email.Options) { o.People = map[string][]string{"Kim": {"kim"}} },
		`to "a@b.example\r\n"`: func(o *email.Options) { o.To = []string{"a@b.example\r\n"} },
		"both or none":         func(o *email.Options) { o.User = "bench" },
		"without TLS":          func(o *email.Options) { o.Plain = true },
		"readable on the way": func(o *email.Options) {
			o.Server, o.Plain, o.User, o.Password = "localhost:25", true, "bench", password
		},
	} {
		o := good
		change(&o)
		_, err := email.New(o)
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("want %s: %v", want, err)
		}
		if err != nil && strings.Contains(err.Error(), password) {
			t.Errorf("the password shows: %v", err)
		}
	}
}

// The suite of all outlets.
func TestOutlet(t *testing.T) {
	outlettest.Other{Secret: password, Server: func(t *testing.T, b outlettest.Behaviour) (outlettest.Outlet, func() int) {
		t.Helper()
		switch b {
		case outlettest.Accepts, outlettest.Refuses, outlettest.Fails:
			s := newSink(t)
			s.err = map[outlettest.Behaviour]error{
				outlettest.Refuses: &smtp.SMTPError{Code: 554, Message: "we want none of it, " + password},
				outlettest.Fails:   &smtp.SMTPError{Code: 452, Message: "the disk is full, " + password},
			}[b]
			return outlet(t, options(s)), func() int { return len(s.all()) }
		}
		address := rough(t, b)
		o := options(&sink{address: address})
		return outlet(t, o), func() int { return 0 }
	}}.Run(t)
}

// rough is a server that speaks no SMTP, or not to the end.
func rough(t *testing.T, b outlettest.Behaviour) string {
	t.Helper()
	l := listen(t)
	if b == outlettest.Absent {
		_ = l.Close()
		return l.Addr().String()
	}
	var all sync.WaitGroup
	t.Cleanup(func() { _ = l.Close(); all.Wait() })
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close() //nolint:errcheck // the test is over
				misbehave(c, b)
			})
		}
	})
	return l.Addr().String()
}

func misbehave(c net.Conn, b outlettest.Behaviour) {
	switch b {
	case outlettest.Hangs:
		_, _ = io.Copy(io.Discard, c)
	case outlettest.HangsUp:
		_, _ = c.Write([]byte("220 mail.example.com\r\n250-mail.exa"))
		_ = c.(*net.TCPConn).CloseWrite()
	case outlettest.Garbage:
		_, _ = c.Write([]byte("\x16\x03\x01\x00 all is well\r\n"))
	}
}

// A server that never ends its line is heard only so long, one that hangs after
// it took a mail has taken it.
func TestRough(t *testing.T) {
	l := listen(t)
	sent := make(chan int, 1)
	go func() {
		defer close(sent)
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close() //nolint:errcheck // the test is over
		n, part := 0, []byte(strings.Repeat("220-all is well ", 1<<10))
		for n < 64<<20 {
			m, err := c.Write(part)
			n += m
			if err != nil {
				break
			}
		}
		sent <- n
	}()
	err := outlet(t, options(&sink{address: l.Addr().String()})).Deliver(t.Context(), outlettest.Message(alert.Raised))
	if err == nil || alert.IsPermanent(err) || len(err.Error()) > 1000 {
		t.Errorf("%v", err)
	}
	if n := <-sent; n >= 64<<20 {
		t.Errorf("%d bytes of an answer are taken", n)
	}
	_ = l.Close()
}

// A server that takes a mail and then says no more has taken it.
func TestHangsAfter(t *testing.T) {
	l := listen(t)
	done := make(chan struct{})
	go func() {
		defer close(done)
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close() //nolint:errcheck // the test is over
		takeAndHang(c)
	}()
	o := options(&sink{address: l.Addr().String()})
	o.Plain, o.User, o.Password = true, "", ""
	ctx, cancel := context.WithTimeout(t.Context(), 8*time.Second)
	defer cancel()
	if err := outlet(t, o).Deliver(ctx, outlettest.Message(alert.Raised)); err != nil {
		t.Errorf("%v", err)
	}
	_ = l.Close()
	<-done
}

func takeAndHang(c net.Conn) {
	say := func(text string) { _, _ = io.WriteString(c, text+"\r\n") }
	say("220 mail.example.com")
	buf, heard := make([]byte, 4096), ""
	for {
		n, err := c.Read(buf)
		if err != nil {
			return
		}
		heard += string(buf[:n])
		switch {
		case strings.HasSuffix(heard, "\r\n.\r\n"):
			say("250 taken")
			_, _ = io.Copy(io.Discard, c)
			return
		case strings.HasSuffix(heard, "DATA\r\n"):
			say("354 go on")
		case strings.Contains(heard, "DATA\r\n"):
		case strings.HasSuffix(heard, "\r\n"):
			say("250 yes")
		}
	}
}
