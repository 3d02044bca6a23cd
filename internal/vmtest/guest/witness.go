//go:build linux

package main

import (
	"errors"
	"fmt"
	"path"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// uevent is the kernel's word about a USB device.
type uevent struct {
	action string // add, bind, unbind, remove, change
	port   string // "1-2"
	id     string // PRODUCT without the release, "1209/3"
}

// witnessBuffer holds any storm of this test, in bytes.
const witnessBuffer = 64 << 20

// watchUevents puts every uevent of a USB device on the tape, stamped when it
// was read. It ends with the machine.
func watchUevents(tape *tape[uevent]) error {
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.NETLINK_KOBJECT_UEVENT)
	if err != nil {
		return fmt.Errorf("watch uevents: %w", err)
	}
	err = errors.Join(
		unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, witnessBuffer),
		unix.Bind(fd, &unix.SockaddrNetlink{Family: unix.AF_NETLINK, Groups: 1}),
	)
	if err != nil {
		return fmt.Errorf("watch uevents: %w", err)
	}
	go func() {
		b := make([]byte, 8192)
		for {
			n, _, err := unix.Recvfrom(fd, b, 0)
			now := time.Now()
			if err != nil {
				fmt.Println("guest: uevents:", err) // ENOBUFS: a check that misses one says so
				continue
			}
			if u, ok := parseUevent(string(b[:n])); ok {
				tape.add(now, u)
			}
		}
	}()
	return nil
}

// parseUevent keeps what is said about a USB device.
func parseUevent(msg string) (uevent, bool) {
	kv := map[string]string{}
	for s := range strings.SplitSeq(msg, "\x00") {
		if k, v, ok := strings.Cut(s, "="); ok {
			kv[k] = v
		}
	}
	if kv["DEVTYPE"] != "usb_device" {
		return uevent{}, false
	}
	id := kv["PRODUCT"]
	return uevent{action: kv["ACTION"], port: path.Base(kv["DEVPATH"]), id: id[:max(0, strings.LastIndex(id, "/"))]}, true
}
