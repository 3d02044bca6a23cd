// Package email delivers alerts by SMTP, encrypted unless the server is on this
// computer. Each receiver gets a mail of their own, so that one who is refused
// keeps it from nobody else. It decides nothing about alerts.
//
// All tries of a message have the same Message-ID, and all messages about one
// alert refer to the same one, so that mail programs show each once and as one
// thread.
package email

import (
	"cmp"
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"net/netip"
	"net/textproto"
	"strconv"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"
	"go.uber.org/zap"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/partly"
	"benchvigil/internal/logkey"
)

// Options of an Outlet. Server, From and To are needed.
type Options struct {
	Name     string
	Server   string // host:port; TLS at once on port 465, by STARTTLS on others
	User     string // empty: without login
	Password string
	From     string              // an address, with a name or without
	To       []string            // who gets what is meant for nobody in particular
	People   map[string][]string // addresses of who a message may be for; nobody's: To
	Plain    bool                // without TLS: only to a server on this computer
	Roots    *x509.CertPool      // authorities to trust; nil: those of this computer
	Timeout  time.Duration       // for all of one delivery; 0: 30 s
	Zone     *time.Location      // of the times in mails; nil: time.Local
	Logger   *zap.Logger         // nil: none
}

// Outlet delivers. Any goroutine may use it.
type Outlet struct {
	o    Options
	host string
	port int
	from *mail.Address
	got  partly.Book
}

// New checks the options.
func New(o Options) (*Outlet, error) {
	out := &Outlet{o: o}
	if err := out.check(); err != nil {
		return nil, fmt.Errorf("email %q: %w", o.Name, err)
	}
	out.o.Timeout = cmp.Or(o.Timeout, 30*time.Second)
	if o.Zone == nil {
		out.o.Zone = time.Local
	}
	if o.Logger == nil {
		out.o.Logger = zap.NewNop()
	}
	return out, nil
}

func (o *Outlet) check() (err error) {
	host, port, err := net.SplitHostPort(o.o.Server)
	if err != nil || host == "" {
		return fmt.Errorf("server %q: write it as host:port, such as mail.example:587", o.o.Server)
	}
	n, err := strconv.ParseUint(port, 10, 16)
	if err != nil || n == 0 {
		return fmt.Errorf("server %q: port %q is not a number from 1 to 65535", o.o.Server, port)
	}
	o.host, o.port = host, int(n)
	if o.from, err = mail.ParseAddress(o.o.From); err != nil {
		return fmt.Errorf("from %q: not an address", o.o.From)
	}
	if len(o.o.To) == 0 {
		return errors.New("to: say whom the mail goes to")
	}
	lists := [][]string{o.o.To}
	for _, list := range o.o.People {
		lists = append(lists, list)
	}
	for _, list := range lists {
		for _, to := range list {
			if _, err := mail.ParseAddress(to); err != nil {
				return fmt.Errorf("to %q: not an address", to)
			}
		}
	}
	return o.checkSafe()
}

// checkSafe refuses what would show a password or an alert to others.
func (o *Outlet) checkSafe() error {
	switch {
	case (o.o.User == "") != (o.o.Password == ""):
		return errors.New("user and password: give both or none")
	case o.o.Plain && !loopback(o.host):
		return fmt.Errorf("server %q: only a server on this computer can do without TLS", o.o.Server)
	case o.o.Plain && o.o.User != "":
		return errors.New("password: it would be readable on the way without TLS")
	}
	return nil
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback() || strings.EqualFold(host, "localhost")
}

// String names the outlet.
func (o *Outlet) String() string { return "email by " + o.host }

// to are the addresses that a message is for.
func (o *Outlet) to(m *alert.Message) []string {
	if list := o.o.People[m.To]; len(list) > 0 {
		return list
	}
	return o.o.To
}

// Deliver sends to each receiver who has not got the message by an earlier try.
func (o *Outlet) Deliver(ctx context.Context, m *alert.Message) error {
	ctx, cancel := context.WithTimeout(ctx, o.o.Timeout)
	defer cancel()
	err := o.deliver(ctx, m)
	if err == nil || alert.IsPermanent(err) {
		o.got.Done(m.Key)
	}
	return err
}

func (o *Outlet) deliver(ctx context.Context, m *alert.Message) error {
	s, err := o.dial(ctx)
	if err != nil {
		return o.judge(ctx, err)
	}
	defer s.close()
	var refused, pending []error
	reached := false
	for _, to := range o.to(m) {
		switch err := o.once(ctx, s, m, to); {
		case err == nil:
			reached = true
		case alert.IsPermanent(err):
			refused = append(refused, fmt.Errorf("%s: %w", to, err))
		default:
			pending = append(pending, fmt.Errorf("%s: %w", to, err))
		}
	}
	switch {
	case len(pending) > 0:
		return short(errors.Join(pending...))
	case !reached:
		return alert.Permanent(short(errors.Join(refused...)))
	case len(refused) > 0: // others have it: it is no failure of the message
		o.o.Logger.Error("a mail was refused for good", zap.String("outlet", o.o.Name), logkey.Err(errors.Join(refused...)))
	}
	return nil
}

// once sends to one receiver.
func (o *Outlet) once(ctx context.Context, s *session, m *alert.Message, to string) error {
	if o.got.Has(m.Key, to) {
		return nil
	}
	msg, err := o.write(m, to)
	if err != nil {
		return alert.Permanent(err)
	}
	if err := s.client.SendWithSMTPClient(s.smtp, msg); err != nil && !msg.IsDelivered() {
		return o.judge(ctx, err)
	}
	o.got.Note(m.Key, to)
	return nil
}

// judge says whether another try may mend an error: servers begin what is for
// ever with a 5 (RFC 5321 §4.2.1).
func (o *Outlet) judge(ctx context.Context, err error) error {
	code := 0
	if e, ok := errors.AsType[*textproto.Error](err); ok {
		code = e.Code
	}
	if e, ok := errors.AsType[*gomail.SendError](err); ok {
		code = e.ErrorCode()
	}
	if ctx.Err() != nil {
		return fmt.Errorf("the mail server did not answer in time: %w", context.Cause(ctx))
	}
	err = short(o.hidden(err))
	if code >= 500 && code < 600 {
		return alert.Permanent(err)
	}
	return err
}

// hidden takes the password out of an error: a server may repeat it.
func (o *Outlet) hidden(err error) error {
	text := strings.Join(strings.Fields(err.Error()), " ")
	if o.o.Password != "" {
		text = strings.ReplaceAll(text, o.o.Password, "…")
	}
	return errors.New(text)
}

// mostSaid bounds what a server can have us say.
const mostSaid = 400

func short(err error) error {
	if err == nil {
		return nil
	}
	text := err.Error()
	if len(text) <= mostSaid {
		return err
	}
	return errors.New(strings.ToValidUTF8(text[:mostSaid], "") + "…")
}
