//go:build linux

// Guest is PID 1 of the test machine. It brings the machine up, plays the
// bench (boards and instruments on the USB ports of vhci_hcd, a supply on
// loopback TCP), runs benchvigil as shipped beside it and reports what it
// concluded. It watches the kernel's uevents with its own eyes, so that what
// benchvigil says is held against an independent witness. It must not run
// anywhere else.
package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"benchvigil/internal/vmtest/report"
)

// patience is how long the whole machine may take; the host's is longer.
const patience = 5 * time.Minute

func main() {
	if os.Getpid() != 1 {
		fmt.Fprintln(os.Stderr, "guest: runs as PID 1 of the test machine only")
		os.Exit(2)
	}
	defer powerOff()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	if err := run(ctx); err != nil {
		fmt.Println("guest:", err)
	}
}

func run(ctx context.Context) error {
	if err := mountAll(); err != nil {
		return err
	}
	out, err := os.OpenFile("/dev/ttyS1", os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	defer drain(out)
	r, err := newRig() //nolint:contextcheck // the bench ends with the machine
	if err != nil {
		return report.Write(out, report.Result{Check: report.Boot, Detail: err.Error()})
	}
	for _, c := range checks {
		if err := report.Write(out, perform(ctx, r, c)); err != nil {
			return err
		}
	}
	return nil
}

// check is one entry of the programme: what it does returns the figures it
// measured, or what was wrong.
type check struct {
	name report.Check
	do   func(context.Context, *rig) (string, error)
}

var checks = []check{
	{report.Boot, checkBoot},
	{report.Reach, checkReach},
	{report.Start, checkStart},
	{report.Life, checkLife},
	{report.PortPath, checkPortPath},
	{report.Cycles, checkCycles},
	{report.Latency, checkLatency},
	{report.Storm, checkStorm},
	{report.Overrun, checkOverrun},
	{report.Hung, checkHung},
	{report.Serial, checkSerial},
	{report.USBTMC, checkUSBTMC},
	{report.Traffic, checkTraffic},
	{report.Untouched, checkUntouched},
	{report.Stop, checkStop},
	{report.Replay, checkReplay},
}

// perform does one check. A check that fails shows what benchvigil said on the
// console and leaves the bench empty for the next.
func perform(ctx context.Context, r *rig, c check) report.Result {
	began := time.Now()
	fmt.Printf("guest: %s\n", c.name)
	detail, err := c.do(ctx, r)
	if err != nil {
		r.showFailure()
		r.clear(ctx)
		detail = err.Error()
	}
	return report.Result{Check: c.name, OK: err == nil, Detail: fmt.Sprintf("%s (%.1f s)", detail, time.Since(began).Seconds())}
}
