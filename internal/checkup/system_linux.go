package checkup

import (
	"fmt"
	"time"

	"golang.org/x/sys/unix"
)

// KernelClock asks the kernel about its clock (adjtimex(2)).
func KernelClock() (Clock, error) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	if err != nil {
		return Clock{}, fmt.Errorf("ask the kernel about its clock: %w", err)
	}
	return Clock{
		Synchronised: state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0,
		MaxError:     time.Duration(t.Maxerror) * time.Microsecond,
	}, nil
}
