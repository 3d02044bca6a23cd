package usb

import (
	"testing"

	"golang.org/x/sys/unix"
)

func TestFromKernel(t *testing.T) {
	kernel := unix.SockaddrNetlink{Family: unix.AF_NETLINK, Groups: kernelGroup}
	root := unix.UnixCredentials(&unix.Ucred{})
	for _, tc := range []struct {
		name string
		from unix.Sockaddr
		oob  []byte
		want bool
	}{
		{"the kernel", &kernel, root, true},
		{"a process", &unix.SockaddrNetlink{Pid: 1234, Groups: kernelGroup}, root, false},
		{"unicast", &unix.SockaddrNetlink{}, root, false},
		{"the udev daemon's group", &unix.SockaddrNetlink{Groups: 2}, root, false},
		{"a user", &kernel, unix.UnixCredentials(&unix.Ucred{Uid: 1000, Gid: 1000}), false},
		{"root's process", &kernel, unix.UnixCredentials(&unix.Ucred{Pid: 1234}), false},
		{"no credentials", &kernel, nil, false},
		{"garbled credentials", &kernel, root[:20], false},
		{"another family", &unix.SockaddrInet4{}, root, false},
		{"no address", nil, root, false},
	} {
		if got := fromKernel(tc.from, tc.oob); got != tc.want {
			t.Errorf("%s: fromKernel = %v, want %v", tc.name, got, tc.want)
		}
	}
}
