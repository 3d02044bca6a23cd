package supply

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"strings"
	"time"
)

const (
	// lxiPort is scpi-raw: LXI Consortium, "LXI Ports, Protocols, and Services".
	lxiPort = "5025"
	// dialTimeout leaves room for one lost SYN, which is sent again after 1 s.
	dialTimeout = 2 * time.Second
)

// dialTCP opens raw sockets to a host:port.
func dialTCP(address string) Dial {
	d := net.Dialer{Timeout: dialTimeout}
	return func(ctx context.Context) (Conn, error) { return d.DialContext(ctx, "tcp", address) }
}

// parseAddress turns "tcp://host:port", "host:port" or either without a port
// into a host:port, and refuses what can never be dialled.
func parseAddress(s string) (string, error) {
	host, port, err := splitAddress(s)
	if err != nil {
		return "", fmt.Errorf("address %q: %w", s, err)
	}
	return net.JoinHostPort(host, port), nil
}

func splitAddress(s string) (host, port string, err error) {
	rest := s
	if scheme, r, ok := strings.Cut(s, "://"); ok {
		if scheme != "tcp" {
			return "", "", fmt.Errorf("%q is not a way to reach a supply: use tcp://host:port", scheme)
		}
		rest = r
	}
	host, port = rest, lxiPort
	if !bareHost(rest) {
		if host, port, err = net.SplitHostPort(rest); err != nil {
			return "", "", errors.New("not a host:port")
		}
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	if err := checkHost(host); err != nil {
		return "", "", err
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 {
		return "", "", fmt.Errorf("port %q is not a number from 1 to 65535", port)
	}
	return host, port, nil
}

// bareHost reports a host without a port: a name, an IPv4 or IPv6 address, the
// latter with or without brackets.
func bareHost(s string) bool {
	if inner, ok := strings.CutPrefix(s, "["); ok {
		return strings.HasSuffix(inner, "]")
	}
	_, err := netip.ParseAddr(s)
	return err == nil || !strings.Contains(s, ":")
}

func checkHost(host string) error {
	if host == "" {
		return errors.New("the host is missing")
	}
	if _, err := netip.ParseAddr(host); err == nil {
		return nil
	}
	for i := range len(host) {
		c := host[i]
		if !isLetter(c) && (c < '0' || c > '9') && c != '-' && c != '.' && c != '_' {
			return fmt.Errorf("%q is neither a host name nor an IP address", host)
		}
	}
	return nil
}
