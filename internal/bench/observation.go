package bench

import (
	"time"

	"benchvigil/internal/unit"
)

// Observation is one fact from outside about one station. At is wall time
// stamped by the source when the fact was true, rounded to the millisecond
// before infer or a recording sees it.
type Observation struct {
	At      time.Time
	Station string
	Fact    Fact
}

// Fact is what was observed: exactly one of Power, USB, Traffic, Mark, Supply,
// USBSource or Clock.
type Fact interface{ fact() }

// Power is one reading of a supply or meter. A quantity that the instrument
// did not give, or answered with not-a-number, is unknown. Output is the
// supply's output switch; SetVolts and LimitAmps are its settings.
type Power struct {
	Volts     unit.Maybe[unit.Voltage]
	Amps      unit.Maybe[unit.Current]
	SetVolts  unit.Maybe[unit.Voltage]
	LimitAmps unit.Maybe[unit.Current]
	Output    unit.Maybe[bool]
	Channel   string // which reading channel, where there are several
}

// USBChange says what happened on the station's port.
type USBChange string

// The USB changes. A device that changes its identity is removed and added.
// Details brings what could only be read aside, such as the serial number.
const (
	USBAdd     USBChange = "add"
	USBRemove  USBChange = "remove"
	USBDetails USBChange = "details"
)

// USB is one change on the station's port path. After a source starts it says
// once what stands there: an add, or a remove for an empty port.
type USB struct {
	Change USBChange
	Port   string // bus and chain of ports, "1-2.3"
	ID     USBID  // unset for a removal
	Serial string // only in details, where the device has one
}

// Traffic is the count of URBs that the kernel has submitted for the device
// since it was enumerated. Only its growth means anything.
type Traffic struct{ URBs uint64 }

// Mark is what a person said about the station.
type Mark struct {
	By   string
	Kind string // "stop", "note"
	Text string
}

// MarkStop ends a run by a person's hand: never counted against the board.
const MarkStop = "stop"

// Sight says whether a source works.
type Sight string

// The states of a source. Trouble is an error that did not end the readings,
// such as an entry of the instrument's error queue.
const (
	Lost    Sight = "lost"
	Back    Sight = "back"
	Trouble Sight = "error"
)

// Supply is news of the instrument itself.
type Supply struct {
	Change Sight
	Error  string
}

// USBSource is news of the USB watch itself, not of a device.
type USBSource struct {
	Change Sight
	Error  string
}

// Clock is news of time. A Jump says by how much the wall clock was stepped,
// At being the time after the step; End says that time passed until At with
// nothing else to tell.
type Clock struct {
	Jump time.Duration
	End  bool
}

func (Power) fact()     {}
func (USB) fact()       {}
func (Traffic) fact()   {}
func (Mark) fact()      {}
func (Supply) fact()    {}
func (USBSource) fact() {}
func (Clock) fact()     {}
