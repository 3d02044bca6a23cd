package usb

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Limits of a message. The kernel holds the variables in 2048 bytes and 64
// entries (UEVENT_BUFFER_SIZE, UEVENT_NUM_ENVP in include/linux/kobject.h); the
// header repeats the path, which is at most a page long.
const (
	maxUevent     = 8192
	maxUeventVars = 256
)

// Errors of ParseUevent.
var (
	// ErrMalformed is wrapped by every complaint about a message's form.
	ErrMalformed = errors.New("malformed uevent")
	// ErrRebroadcast marks a message of the udev daemon, which repeats the
	// kernel's own later and in another form.
	ErrRebroadcast = errors.New("uevent of the udev daemon, not of the kernel")
)

// Uevent is one message of the kernel about a device.
type Uevent struct {
	Action  string            // "add", "remove", "change", "bind", "unbind" …
	DevPath string            // below the sysfs root, with a leading slash
	Seq     uint64            // SEQNUM, counted over the whole system
	Vars    map[string]string // all variables, ACTION, DEVPATH and SEQNUM too
}

// Port returns the port path when the message is about a whole USB device on a
// port. Interfaces and root hubs are not.
func (u Uevent) Port() (string, bool) {
	if u.Vars["SUBSYSTEM"] != "usb" || u.Vars["DEVTYPE"] != "usb_device" {
		return "", false
	}
	return portOf(u.DevPath)
}

// ParseUevent reads ACTION@DEVPATH NUL KEY=VALUE NUL …, the form made in the
// kernel's lib/kobject_uevent.c. Paths may contain "@" and values "=". SEQNUM
// is required; when a key comes twice the last one counts.
func ParseUevent(b []byte) (Uevent, error) {
	if bytes.HasPrefix(b, []byte("libudev\x00")) {
		return Uevent{}, ErrRebroadcast
	}
	if len(b) == 0 || len(b) > maxUevent || b[len(b)-1] != 0 {
		return Uevent{}, fmt.Errorf("%w: %d bytes, cut off or too long", ErrMalformed, len(b))
	}
	header, rest, _ := strings.Cut(string(b), "\x00")
	action, devpath, ok := strings.Cut(header, "@")
	if !ok || action == "" || !strings.HasPrefix(devpath, "/") {
		return Uevent{}, fmt.Errorf("%w: header %.80q is not ACTION@/PATH", ErrMalformed, header)
	}
	vars, err := parseVars(rest)
	if err != nil {
		return Uevent{}, err
	}
	seq, err := strconv.ParseUint(vars["SEQNUM"], 10, 64)
	if err != nil {
		return Uevent{}, fmt.Errorf("%w: SEQNUM %.80q is not a number", ErrMalformed, vars["SEQNUM"])
	}
	return Uevent{Action: action, DevPath: devpath, Seq: seq, Vars: vars}, nil
}

// parseVars reads NUL-terminated KEY=VALUE strings.
func parseVars(s string) (map[string]string, error) {
	n := strings.Count(s, "\x00")
	if n > maxUeventVars {
		return nil, fmt.Errorf("%w: %d variables", ErrMalformed, n)
	}
	vars := make(map[string]string, n)
	for s != "" {
		var entry string
		entry, s, _ = strings.Cut(s, "\x00")
		key, value, ok := strings.Cut(entry, "=")
		if !ok || key == "" {
			return nil, fmt.Errorf("%w: %.80q is not KEY=VALUE", ErrMalformed, entry)
		}
		vars[key] = value
	}
	return vars, nil
}
