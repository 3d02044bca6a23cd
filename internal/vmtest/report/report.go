// Package report is the language in which the guest tells the host how it
// went: one JSON object a line, one line a check. It owns the list of checks,
// so that one which was never reported is known to be missing. It knows nothing
// of what a check does.
package report

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
)

// Check names one thing that is tested inside the virtual machine.
type Check string

// The checks, in the order in which they run.
const (
	Boot      Check = "boot"      // the kernel has the ports that the configuration names
	Reach     Check = "reach"     // check and enroll meet instruments as the kernel shows them
	Start     Check = "start"     // the daemon comes up and sees an unpowered board
	Life      Check = "life"      // a board's life gives the events it should, in order
	PortPath  Check = "port-path" // every observation of it names the right port and identity
	Cycles    Check = "cycles"    // 20 times plugged and unplugged: nothing lost
	Latency   Check = "latency"   // how long from the kernel's uevent to our event
	Storm     Check = "storm"     // 3,000 uevents hide no change
	Overrun   Check = "overrun"   // nor do those that the socket could not hold
	Hung      Check = "hung"      // a device that hangs the hub delays no other station
	Serial    Check = "serial"    // a supply on a serial line: read, lost, back
	USBTMC    Check = "usbtmc"    // the same by USBTMC
	Traffic   Check = "traffic"   // the traffic count follows the host's transfers
	Untouched Check = "untouched" // our watching asks nothing of the device
	Stop      Check = "stop"      // the daemon ends cleanly
	Replay    Check = "replay"    // the recording gives the same events again
)

// Checks lists every check in its order.
func Checks() []Check {
	return []Check{Boot, Reach, Start, Life, PortPath, Cycles, Latency, Storm, Overrun, Hung, Serial, USBTMC, Traffic, Untouched, Stop, Replay}
}

// Result is how one check went.
type Result struct {
	Check  Check  `json:"check"`
	OK     bool   `json:"ok"`
	Detail string `json:"detail"` // what was measured, or what was wrong
}

// Write writes one result as a line.
func Write(w io.Writer, r Result) error {
	b, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("report %s: %w", r.Check, err)
	}
	if _, err := w.Write(append(b, '\n')); err != nil {
		return fmt.Errorf("report %s: %w", r.Check, err)
	}
	return nil
}

// Read reads results until the end. With an error it returns those before it.
func Read(r io.Reader) ([]Result, error) {
	var results []Result
	lines := bufio.NewScanner(r)
	for lines.Scan() {
		var res Result
		if err := json.Unmarshal(lines.Bytes(), &res); err != nil {
			return results, fmt.Errorf("report line %d: %w", len(results)+1, err)
		}
		results = append(results, res)
	}
	if err := lines.Err(); err != nil {
		return results, fmt.Errorf("report line %d: %w", len(results)+1, err)
	}
	return results, nil
}
