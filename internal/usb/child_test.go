package usb_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/usb"
)

// childEnv makes the test binary play the scan child.
const childEnv = "BENCHVIGIL_TEST_CHILD"

var listed = []usb.Device{
	{Bus: 1, Address: 1, Port: "usb1", Vendor: 0x1d6b, Product: 0x0002, Class: 9, Speed: "high"},
	{Bus: 1, Address: 7, Port: "1-2.3", Vendor: 0x1209, Product: 0x0003, Speed: "super"},
}

func beChild(what string) int {
	switch what {
	case "good":
		_ = usb.WriteScan(os.Stdout, listed, nil)
	case "incomplete":
		_ = usb.WriteScan(os.Stdout, listed, errors.New("one device did not answer"))
	case "garbage":
		fmt.Println("libusb: debug: hello")
	case "silent":
	case "chatty":
		_ = usb.WriteScan(os.Stdout, listed, nil)
		fmt.Print(strings.Repeat(" ", 1<<21))
	case "endless":
		for line := strings.Repeat("x", 1<<16); ; {
			if _, err := fmt.Println(line); err != nil {
				return 1
			}
		}
	case "hang":
		time.Sleep(time.Hour)
	case "crash":
		var p *int
		*p = 1 //nolint:govet // this is the crash
	case "fails":
		fmt.Fprintln(os.Stderr, "libusb: no access")
		return 1
	}
	return 0
}

func TestChildScan(t *testing.T) {
	const hurry, patience = 300 * time.Millisecond, time.Minute
	for _, tc := range []struct {
		name     string
		deadline time.Duration
		want     []usb.Device
		err      string // part of it, or empty
	}{
		{"good", patience, listed, ""},
		{"incomplete", patience, listed, "one device did not answer"},
		{"garbage", patience, nil, "read scan"},
		{"silent", patience, nil, "read scan"},
		{"chatty", patience, nil, "printed more than 1048576 bytes"},
		{"endless", hurry, nil, "took longer than 300ms"},
		{"hang", hurry, nil, "took longer than 300ms"},
		{"crash", patience, nil, "nil pointer"},
		{"fails", patience, nil, "exit status 1: libusb: no access"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Setenv(childEnv, tc.name)
			got, err := usb.ChildScan(os.Args[0], nil, tc.deadline)(t.Context())
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("devices (-want +got):\n%s", diff)
			}
			if (tc.err == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), tc.err) {
				t.Errorf("error %v, want one with %q", err, tc.err)
			}
		})
	}
}

func TestChildScanEndsWithContext(t *testing.T) {
	t.Setenv(childEnv, "hang")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := usb.ChildScan(os.Args[0], nil, time.Hour)(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want context canceled", err)
	}
}

func TestChildScanWithoutProgram(t *testing.T) {
	_, err := usb.ChildScan("/does/not/exist", nil, time.Minute)(t.Context())
	if !errors.Is(err, os.ErrNotExist) {
		t.Errorf("got %v, want that the program does not exist", err)
	}
}

func TestScanFormat(t *testing.T) {
	var b bytes.Buffer
	if err := usb.WriteScan(&b, listed[1:], nil); err != nil {
		t.Fatal(err)
	}
	const want = `{"devices":[{"bus":1,"address":7,"port":"1-2.3","vendor":"1209","product":"0003","class":0,"speed":"super"}]}` + "\n"
	if b.String() != want {
		t.Errorf("written %s, want %s", b.String(), want)
	}
}
