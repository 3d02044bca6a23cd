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

// openTCP reads "host:port", or a host alone, and dials raw sockets to it. It
// refuses what can never be dialled.
func openTCP(where string) (address string, dial Dial, err error) {
	host, port := where, lxiPort
	if !bareHost(where) {
		if host, port, err = net.SplitHostPort(where); err != nil {
			return "", nil, errors.New("not a host:port")
		}
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	if err := checkHost(host); err != nil {
		return "", nil, err
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 {
		return "", nil, fmt.Errorf("port %q is not a number from 1 to 65535", port)
	}
	d := net.Dialer{Timeout: dialTimeout}
	address = net.JoinHostPort(host, port)
	return address, func(ctx context.Context) (Conn, error) { return d.DialContext(ctx, "tcp", address) }, nil
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
