package profile

import (
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// What a USB port may give to a device, as published.
const (
	UnitLoad2  = 100 * unit.Milliampere // one unit load, USB 2.0 section 7.2.1
	HighPower2 = 5 * UnitLoad2          // a configured high-power device, USB 2.0 section 7.2.1
	UnitLoad3  = 150 * unit.Milliampere // one unit load on a single lane, USB 3.2 section 11.4
	HighPower3 = 6 * UnitLoad3          // a configured high-power device, USB 3.2 section 11.4
	// Suspended is the average current of any suspended device: USB 3.2
	// section 11.4.3, and USB 2.0 since its ECN "Suspend Current Limit Changes".
	Suspended = 2500 * unit.Microampere
	// HighestVBUS is the highest voltage at a port, USB 2.0 section 7.2.
	HighestVBUS = 5250 * unit.Millivolt
)

// lowestBoard is the lowest voltage at which a board is fed: common practice,
// a lithium cell is flat there.
const lowestBoard unit.Voltage = 3 * unit.Volt

// portLimit is what a port may give to a device in the mode, and why. Charging
// ports and Type-C current are not counted: a bench port promises neither.
func portLimit(m bench.Mode) (most unit.Current, why string) {
	switch m {
	case bench.Off, bench.Standby, bench.Starting:
		return UnitLoad3, "before a device is configured it may take one unit load, 150 mA at most (USB 3.2 section 11.4)"
	case bench.Asleep:
		return Suspended, "a suspended device may take 2.5 mA (USB 3.2 section 11.4.3)"
	}
	return HighPower3, "a port gives up to 900 mA (USB 3.2 section 11.4)"
}

// relief is by how much a supply can be relieved at most when a port gives a
// current: the same power at the lowest voltage of a board.
func relief(port unit.Current) unit.Current {
	return port * unit.Current(HighestVBUS) / unit.Current(lowestBoard)
}
