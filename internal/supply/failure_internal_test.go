package supply

import (
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"
	"testing"
)

// The same cause must give the same words, or it would be told each time.
func TestCauseHasNoLocalPort(t *testing.T) {
	addr := func(port int) net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: port} }
	reset := &net.OpError{Op: "read", Net: "tcp", Source: addr(40001), Addr: addr(5025), Err: os.NewSyscallError("read", syscall.ECONNRESET)}
	lookup := &net.DNSError{Err: "read udp 127.0.0.1:40002->127.0.0.53:53: i/o timeout", Name: "psu.local", IsTimeout: true}
	for _, tc := range []struct {
		err  error
		want string
	}{
		{reset, "read: connection reset by peer"},
		{fmt.Errorf("wrapped: %w", reset), "read: connection reset by peer"},
		{&net.OpError{Op: "dial", Net: "tcp", Err: lookup}, `the name "psu.local" cannot be looked up now`},
		{&net.DNSError{Err: "no such host", Name: "psu.local", IsNotFound: true}, `no host is named "psu.local"`},
		{errors.New("no such port"), "no such port"},
	} {
		if got := cause(tc.err); got != tc.want {
			t.Errorf("cause(%v) = %q, want %q", tc.err, got, tc.want)
		}
	}
}
