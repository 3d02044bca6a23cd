package usb

import (
	"context"
	"errors"
	"fmt"

	"github.com/mdlayher/socket"
	"golang.org/x/sys/unix"
)

// receiveBuffer is what the kernel may hold for us, in bytes. Its default kept
// 256 of 3,000 uevents; 16 MiB kept all.
const receiveBuffer = 16 << 20

// kernelGroup is the multicast group of the kernel's own messages; group 2 has
// the udev daemon's.
const kernelGroup = 1

// netlink receives uevents from the kernel.
type netlink struct {
	conn *socket.Conn
	buf  [maxUevent]byte
	oob  [64]byte // room for one SCM_CREDENTIALS, which takes 32
}

// ListenKernel opens a socket for the kernel's uevents. It needs no rights and
// no udev daemon, but containers may refuse it.
func ListenKernel() (Receiver, error) {
	conn, err := socket.Socket(unix.AF_NETLINK, unix.SOCK_RAW, unix.NETLINK_KOBJECT_UEVENT, "uevent", nil)
	if err != nil {
		return nil, fmt.Errorf("open uevent socket: %w", err)
	}
	if err := prepare(conn); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return &netlink{conn: conn}, nil
}

func prepare(conn *socket.Conn) error {
	if err := conn.SetsockoptInt(unix.SOL_SOCKET, unix.SO_PASSCRED, 1); err != nil {
		return fmt.Errorf("ask for credentials on uevent socket: %w", err)
	}
	if err := conn.SetReadBuffer(receiveBuffer); err != nil {
		return fmt.Errorf("size uevent socket: %w", err)
	}
	if err := conn.Bind(&unix.SockaddrNetlink{Family: unix.AF_NETLINK, Groups: kernelGroup}); err != nil {
		return fmt.Errorf("join uevent group: %w", err)
	}
	return nil
}

// Close ends a waiting Receive.
func (n *netlink) Close() error { return n.conn.Close() }

// Receive waits for the next message of the kernel. Messages of anybody else
// are no messages of ours and are passed over.
func (n *netlink) Receive(ctx context.Context) (Uevent, error) {
	for {
		size, oobn, flags, from, err := n.conn.Recvmsg(ctx, n.buf[:], n.oob[:], 0)
		switch {
		case errors.Is(err, unix.ENOBUFS):
			return Uevent{}, ErrOverrun
		case err != nil:
			return Uevent{}, fmt.Errorf("receive uevent: %w", err)
		case !fromKernel(from, n.oob[:oobn]):
			continue
		case flags&unix.MSG_TRUNC != 0:
			return Uevent{}, fmt.Errorf("%w: longer than %d bytes", ErrMalformed, maxUevent)
		}
		u, err := ParseUevent(n.buf[:size])
		if errors.Is(err, ErrRebroadcast) {
			continue
		}
		return u, err
	}
}

// fromKernel checks the sender: netlink port 0 in the kernel's group, sent by
// root with no process behind it. Any local user could send the rest.
func fromKernel(from unix.Sockaddr, oob []byte) bool {
	nl, ok := from.(*unix.SockaddrNetlink)
	if !ok || nl.Pid != 0 || nl.Groups != kernelGroup {
		return false
	}
	msgs, err := unix.ParseSocketControlMessage(oob)
	if err != nil {
		return false
	}
	for i := range msgs {
		if cred, err := unix.ParseUnixCredentials(&msgs[i]); err == nil {
			return cred.Uid == 0 && cred.Pid == 0
		}
	}
	return false
}
