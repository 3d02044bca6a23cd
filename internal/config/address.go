package config

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"path"
	"regexp"
	"strconv"
	"strings"
)

// place is where an instrument is reached, whatever way it was written.
type place struct {
	scheme   string // one of those in schemes
	at       string // host and port, or device
	settings string // of a serial line
}

// schemes are the ways to an instrument, and how each is written.
var schemes = map[string]struct {
	read  func(string) (place, error)
	write string
}{
	"tcp":    {readTCP, "tcp://host:port, such as tcp://192.0.2.10:5025"},
	"serial": {readSerial, "serial:///dev/serial/by-id/NAME?baud=9600&bits=8N1"},
	"usbtmc": {readUSBTMC, "usbtmc:///dev/usbtmc0, or usbtmc://serial/NUMBER by the instrument's serial number"},
}

// address checks where an instrument is.
func (c *checker) address(path, text string) string {
	if _, err := placeOf(text); err != nil && text != "" {
		c.fail(path, "%q: %v", text, err)
	}
	return text
}

// placeOf reads an address; without a scheme it is TCP. The error says what to
// write.
func placeOf(text string) (place, error) {
	scheme, where, ok := strings.Cut(text, "://")
	if !ok {
		scheme, where = "tcp", text
	}
	way, ok := schemes[scheme]
	if !ok {
		return place{}, fmt.Errorf("%q is not a way to reach an instrument: write tcp://host:port, serial:///dev/… or usbtmc:///dev/…", scheme)
	}
	p, err := way.read(where)
	p.scheme = scheme
	if err != nil {
		return p, fmt.Errorf("%w: write %s", err, way.write)
	}
	return p, nil
}

var hostName = regexp.MustCompile(`^[A-Za-z0-9._-]+$`)

// readTCP reads host:port; the port may be left out.
func readTCP(where string) (place, error) {
	host, port := where, "5025"
	if !bareHost(where) {
		var err error
		if host, port, err = net.SplitHostPort(where); err != nil {
			return place{}, errors.New("not a host and a port")
		}
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	if host == "" {
		return place{}, errors.New("the host is missing")
	}
	if _, err := netip.ParseAddr(host); err != nil && !hostName.MatchString(host) {
		return place{}, fmt.Errorf("%q is neither a host name nor an IP address", host)
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 {
		return place{}, fmt.Errorf("port %q is not a number from 1 to 65535", port)
	}
	return place{at: net.JoinHostPort(host, port)}, nil
}

// bareHost reports a host without a port; an IPv6 address may have brackets.
func bareHost(s string) bool {
	if strings.HasPrefix(s, "[") {
		return strings.HasSuffix(s, "]")
	}
	_, err := netip.ParseAddr(s)
	return err == nil || !strings.Contains(s, ":")
}

var (
	serialDevice = regexp.MustCompile(`^(/dev/[A-Za-z0-9._:,@%+/-]+|COM[0-9]{1,3})$`)
	serialBits   = regexp.MustCompile(`^[78][NEO][12]$`)
	usbtmcDevice = regexp.MustCompile(`^/dev/[A-Za-z0-9._/-]+$`)
	usbtmcSerial = regexp.MustCompile(`^serial/[A-Za-z0-9._:-]{1,126}$`)
)

// readSerial reads a device with its baud and bits.
func readSerial(where string) (place, error) {
	device, query, _ := strings.Cut(where, "?")
	switch {
	case device == "":
		return place{}, errors.New("the device is missing")
	case !serialDevice.MatchString(device) || path.Clean(device) != device:
		return place{}, fmt.Errorf("%q is not the whole path of a device", device)
	}
	settings, err := url.ParseQuery(query)
	if err != nil {
		return place{}, fmt.Errorf("%q cannot be read", query)
	}
	baud, bits := "9600", "8N1"
	for key, values := range settings {
		switch {
		case len(values) > 1:
			return place{}, fmt.Errorf("%s is given twice", key)
		case key == "baud":
			baud = values[0]
		case key == "bits":
			bits = values[0]
		default:
			return place{}, fmt.Errorf("unknown setting %q: there are baud and bits", key)
		}
	}
	n, err := strconv.Atoi(baud)
	if err != nil || n < 50 || n > 4_000_000 {
		return place{}, fmt.Errorf("baud=%s is not a number from 50 to 4000000", baud)
	}
	if !serialBits.MatchString(bits) {
		return place{}, fmt.Errorf("bits=%s is not 7 or 8, then N, E or O, then 1 or 2", bits)
	}
	return place{at: device, settings: fmt.Sprintf("baud=%d&bits=%s", n, bits)}, nil
}

// readUSBTMC reads a device, or serial/ and a serial number.
func readUSBTMC(where string) (place, error) {
	if usbtmcSerial.MatchString(where) || usbtmcDevice.MatchString(where) && path.Clean(where) == where {
		return place{at: where}, nil
	}
	return place{}, fmt.Errorf("%q is neither the path of a device nor a serial number", where)
}
