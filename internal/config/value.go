package config

import (
	"net"
	"net/netip"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// label is what events, metrics and addresses can carry unescaped.
var label = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,31}$`)

func (c *checker) label(path, text string) string {
	if text != "" && !label.MatchString(text) {
		c.fail(path, "%q must be 1 to 32 small letters, digits and dashes, starting with a letter or digit", text)
	}
	return text
}

// duration reads a time with its unit, from least to most.
func (c *checker) duration(path, text string, least, most time.Duration) time.Duration {
	d, err := time.ParseDuration(text)
	_, noNumber := strconv.ParseFloat(text, 64)
	switch {
	case noNumber == nil:
		c.fail(path, "%s has no unit: write %ss or %sms", text, text, text)
	case err != nil:
		c.fail(path, "%q is not a time: write a number and its unit, such as 150ms, 20s, 12m or 3h", text)
	case d < least:
		c.fail(path, "%s is too short: the least is %s", text, short(least))
	case d > most:
		c.fail(path, "%s is too long: the most is %s", text, short(most))
	}
	return d
}

// short prints a duration without its trailing zeros, "1m" for "1m0s".
func short(d time.Duration) string {
	s := d.String()
	for _, zeros := range []string{"m0s", "h0m"} {
		if strings.HasSuffix(s, zeros) {
			s = strings.TrimSuffix(s, zeros[1:])
		}
	}
	return s
}

func (c *checker) yesNo(path, text string) bool {
	if text != "" && text != "true" && text != "false" {
		c.fail(path, "%q must be true or false", text)
	}
	return text == "true"
}

// size reads a number of bytes, such as 500MB or 10 GB: thousands, as disks are
// sold.
func (c *checker) size(path, text string) int64 {
	number, factor := strings.TrimSpace(text), int64(0)
	for unit, f := range map[string]int64{"MB": megabyte, "GB": 1000 * megabyte, "TB": 1_000_000 * megabyte} {
		if n, ok := strings.CutSuffix(number, unit); ok {
			number, factor = strings.TrimSpace(n), f
			break
		}
	}
	n, err := strconv.ParseInt(number, 10, 32)
	switch {
	case err != nil || factor == 0:
		c.fail(path, "%q is no size: write a whole number and its unit, such as 500MB or 10GB", text)
	case n*factor < minSize:
		c.fail(path, "%s is too small: the least is %dMB", text, minSize/megabyte)
	case n > maxSize/factor:
		c.fail(path, "%s is too large: the most is %dTB", text, maxSize/megabyte/1_000_000)
	}
	return n * factor
}

// port checks a USB port path as the kernel writes it: the bus, a dash, and a
// chain of at most six ports, as deep as USB 2.0 section 4.1.1 allows (number
// from memory).
func (c *checker) port(path, text string) string {
	bus, chain, ok := strings.Cut(text, "-")
	ports := strings.Split(chain, ".")
	ok = ok && counts(bus, 999) && len(ports) <= 6
	for _, p := range ports {
		ok = ok && counts(p, 255)
	}
	if text != "" && !ok {
		c.fail(path, "%q is not a USB port path: write bus and chain of ports as the kernel does, such as 1-2 or 1-2.3", text)
		return ""
	}
	return text
}

// counts accepts a number from 1 to most, in plain decimal.
func counts(s string, most int) bool {
	n, err := strconv.Atoi(s)
	return err == nil && n >= 1 && n <= most && strconv.Itoa(n) == s
}

// listen accepts this computer's own addresses only: whoever can reach the
// page can see the customers' cases.
func (c *checker) listen(path, text string) string {
	host, port, err := net.SplitHostPort(text)
	if err != nil {
		c.fail(path, "%q is not an address and a port: write %s", text, DefaultListen)
		return text
	}
	if _, err := strconv.ParseUint(port, 10, 16); err != nil {
		c.fail(path, "port %q must be a number from 0 to 65535, 0 for any free one", port)
	}
	if ip, err := netip.ParseAddr(host); err != nil && host != "localhost" && host != "" || ip.Zone() != "" {
		c.fail(path, "%q is not the IP address of a network of this computer: write one, 0.0.0.0 for all, or %s", host, DefaultListen)
	}
	return text
}

// tls checks that a page beyond this computer is served with TLS.
func (c *checker) tls(raw rawTLS, cfg *Config) {
	for _, f := range []struct {
		key, text string
		into      *string
	}{{"tls.certificate", raw.Certificate, &cfg.TLS.Certificate}, {"tls.key", raw.Key, &cfg.TLS.Key}} {
		if f.text != "" {
			*f.into = c.below(f.key, f.text)
		}
	}
	switch {
	case (raw.Certificate == "") != (raw.Key == ""):
		c.fail("tls", "a certificate and its key belong together: write both tls.certificate and tls.key")
	case raw.Certificate == "" && cfg.Beyond():
		c.fail("listen", "%q: listening beyond this computer needs TLS and login: make a certificate by "+
			"benchvigil access certificate, name its files in tls.certificate and tls.key, and enter people by "+
			"benchvigil access user add NAME; or write %s", cfg.Listen, DefaultListen)
	}
}
