package bench

import "fmt"

// Mode is what the device on a station is doing.
type Mode string

// The modes. Unknown is the honest answer when the evidence does not tell.
const (
	Unknown   Mode = "unknown"
	Off       Mode = "off"
	Standby   Mode = "standby" // power applied, not started; a healthy board draws next to nothing
	Starting  Mode = "starting"
	Loader    Mode = "loader" // first-stage loader: DFU, download, preloader
	Recovery  Mode = "recovery"
	Restoring Mode = "restoring"  // a restore or update driven by a host
	RePairing Mode = "re-pairing" // the device works by itself, often with no traffic
	Running   Mode = "running"
	Asleep    Mode = "asleep" // running, screen off, low current, still enumerated
)

// Modes lists every mode in the order in which a board usually meets them.
func Modes() []Mode {
	return []Mode{Unknown, Off, Standby, Starting, Loader, Recovery, Restoring, RePairing, Running, Asleep}
}

// ParseMode reads a mode by its name.
func ParseMode(s string) (Mode, error) {
	for _, m := range Modes() {
		if string(m) == s {
			return m, nil
		}
	}
	return Unknown, fmt.Errorf("%q is not a mode", s)
}

// PowerPath says what feeds the board; it decides what a current means.
type PowerPath string

// The power paths. A battery station has no readings: it is followed by USB
// and by marks.
const (
	FromSupply  PowerPath = "supply"
	FromBattery PowerPath = "battery"
)

// ParsePowerPath reads a power path by its name.
func ParsePowerPath(s string) (PowerPath, error) {
	switch p := PowerPath(s); p {
	case FromSupply, FromBattery:
		return p, nil
	}
	return "", fmt.Errorf("%q is not a power path: use %s or %s", s, FromSupply, FromBattery)
}

// Hookup is how a station is wired, which decides what its evidence means.
type Hookup struct {
	Path PowerPath // what feeds the board
	VBUS bool      // USB bus power feeds it too, so a missing supply current proves nothing alone
	USB  bool      // a USB port is watched, so an absent device means something
}
