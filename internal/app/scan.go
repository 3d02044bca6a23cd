package app

import (
	"context"
	"fmt"
	"io"
	"os"
	"time"

	"benchvigil/internal/usb"
	"benchvigil/internal/usb/scan"
)

// ScanCommand is the command by which the program runs itself to enumerate USB.
const ScanCommand = "usb-scan"

// scanDeadline is how long an enumeration may take: longer than a hub that is
// busy with a device, shorter than one that hangs on it.
const scanDeadline = 5 * time.Second

// USBScan is the short-lived child: it lists what libusb sees as JSON. C code
// that hangs or faults takes this process down and not the watch.
func USBScan(ctx context.Context, out io.Writer) error {
	devices, err := scan.Devices(ctx)
	return usb.WriteScan(out, devices, err)
}

// childScan runs the child.
func childScan() (func(context.Context) ([]usb.Device, error), error) {
	exe, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("find the program itself, for the USB scan: %w", err)
	}
	return usb.ChildScan(exe, []string{ScanCommand}, scanDeadline), nil
}
