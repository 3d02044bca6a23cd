package access

import (
	"crypto/tls"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/logkey"
)

// Certificate is what the site proves itself by, read again when its files
// change. While new files cannot be read the last ones hold.
type Certificate struct {
	cert, key string
	log       *zap.Logger

	mu     sync.Mutex
	now    *tls.Certificate
	stamp  [2]time.Time
	looked time.Time
	warned time.Time
}

// warnBefore is how long before its end a certificate is warned of.
const warnBefore = 30 * 24 * time.Hour

// LoadCertificate reads a certificate and its key, both PEM.
func LoadCertificate(cert, key string, log *zap.Logger) (*Certificate, error) {
	c := &Certificate{cert: cert, key: key, log: log}
	return c, c.read()
}

func (c *Certificate) read() error {
	pair, err := tls.LoadX509KeyPair(c.cert, c.key)
	if err != nil {
		return fmt.Errorf("read the certificate %s and its key %s: %w: make both by: benchvigil access certificate", c.cert, c.key, err)
	}
	c.now, c.stamp = &pair, c.stamps()
	return nil
}

func (c *Certificate) stamps() (out [2]time.Time) {
	for i, name := range []string{c.cert, c.key} {
		if info, err := os.Stat(name); err == nil {
			out[i] = info.ModTime()
		}
	}
	return out
}

func (c *Certificate) current() *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	if now.Sub(c.looked) < followEvery {
		return c.now
	}
	c.looked = now
	if s := c.stamps(); s != c.stamp {
		if err := c.read(); err != nil {
			c.stamp = s
			c.log.Error("the certificate stays as it was", logkey.Err(err))
		}
	}
	if end := c.now.Leaf.NotAfter; end.Sub(now) < warnBefore && now.Sub(c.warned) >= 24*time.Hour {
		c.warned = now
		c.log.Error("the certificate ends soon: make another by benchvigil access certificate", logkey.At(end))
	}
	return c.now
}

// Ends is until when the certificate holds.
func (c *Certificate) Ends() time.Time { return c.current().Leaf.NotAfter }

// Notice is what everybody at the bench should know of a certificate that holds
// until then, empty where it is good for long. One that ended stops no watch:
// browsers warn of it, and the boards need theirs.
func Notice(ends, now time.Time) string {
	const renew = " Renew it by benchvigil access certificate."
	day := ends.Local().Format("2 January 2006")
	switch left := ends.Sub(now); {
	case left <= 0:
		return "The certificate of these pages ended on " + day + ": phones warn of it, and may get no alerts." + renew
	case left < warnBefore:
		return "The certificate of these pages ends on " + day + "." + renew
	}
	return ""
}

// Names are the host names and addresses of the certificate, in lower case.
func (c *Certificate) Names() map[string]bool {
	leaf := c.current().Leaf
	out := map[string]bool{}
	for _, name := range leaf.DNSNames {
		out[strings.ToLower(name)] = true
	}
	for _, ip := range leaf.IPAddresses {
		out[ip.String()] = true
	}
	return out
}

// Config is how the site speaks TLS: 1.2 and 1.3, which current phones all do.
func (c *Certificate) Config() *tls.Config {
	return &tls.Config{
		MinVersion:     tls.VersionTLS12,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.current(), nil },
	}
}

// ErrNames is that a certificate stands for no name.
var ErrNames = errors.New("give the name or the address by which phones reach the bench: --name bench.local --address 192.168.1.20")
