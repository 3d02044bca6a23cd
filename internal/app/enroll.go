package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"

	"benchvigil/configs"
	"benchvigil/internal/enroll"
	"benchvigil/internal/usb"
)

// EnrollOptions are what the command line says about a station. What is empty
// is asked for.
type EnrollOptions struct {
	Config  string // file; made where there is none
	Bench   string // name of the bench, for a new file
	Station string // ID
	Name    string
	Port    string // USB port path, or "none"
	Supply  string // address, or "none"
	Profile string
	VBUS    bool
	Yes     bool   // take what is proposed
	Root    string // stands for the root of the computer's files
	In      io.Reader
	Out     io.Writer

	VBUSGiven bool // VBUS is an answer, also where it is false
}

// Enroll asks for a station and writes it into the configuration.
func Enroll(ctx context.Context, o EnrollOptions) error {
	scan, err := childScan()
	if err != nil {
		return err
	}
	err = enroll.Run(ctx, enroll.Options{
		File: o.Config, Bench: o.Bench, Station: o.Station, Name: o.Name, Port: o.Port, Supply: o.Supply, Profile: o.Profile,
		VBUS: o.VBUS, VBUSGiven: o.VBUSGiven, Reference: keyReference(), Yes: o.Yes, In: o.In, Terminal: terminal(o.In), Out: o.Out,
		Root: os.DirFS(o.Root), Sysfs: os.DirFS, Look: lookBy(scan), Env: os.Getenv, Kinds: configs.Profiles(),
	})
	switch {
	case errors.Is(err, enroll.ErrNotThere):
		return fmt.Errorf("%w: %w", ErrHardware, err)
	case errors.Is(err, enroll.ErrFile), errors.Is(err, enroll.ErrNoAnswer):
		return fmt.Errorf("%w: %w", ErrConfig, err)
	}
	return err
}

// keyReference is the file that explains every key of a configuration, which a
// package puts elsewhere.
func keyReference() string {
	if installed() {
		return "/usr/share/doc/benchvigil/examples/benchvigil.yaml"
	}
	return "configs/benchvigil.yaml"
}

// terminal reports whether a person may type there as it goes.
func terminal(in io.Reader) bool {
	f, ok := in.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&fs.ModeCharDevice != 0
}

// lookBy looks at the bus in the way that the watch would.
func lookBy(scan func(context.Context) ([]usb.Device, error)) func(context.Context, fs.FS) (map[string]usb.Seen, error) {
	return func(ctx context.Context, sysfs fs.FS) (map[string]usb.Seen, error) {
		if usb.Choose(sysfs, runtime.GOOS) == usb.BySysfs {
			return usb.Survey(sysfs)
		}
		devices, err := scan(ctx)
		return usb.Listed(devices), err
	}
}
