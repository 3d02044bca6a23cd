//go:build linux

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Exit codes of benchvigil that are expected here.
const (
	exitOK       = 0
	exitOther    = 1
	exitHardware = 5
)

// enrolledFile is where a station is entered from nothing.
const enrolledFile = "/tmp/enrolled/config.yaml"

// leastRate is how many readings a second an instrument must give, whatever it
// is reached by.
const leastRate = 10

// checkReach looks at the instruments' stations with benchvigil check, before
// and after the instruments are plugged in, and enters stations for them where
// no configuration is yet.
func checkReach(ctx context.Context, r *rig) (string, error) {
	code, err := r.checkedUp(ctx, func(i *instrument, f finding) error {
		if f.Verdict != "failed" || !strings.Contains(f.Do, "no such device") {
			return fmt.Errorf("%s is not there, check says %+v", i.node, f)
		}
		return nil
	})
	if err != nil {
		return "", err
	}
	if code != exitHardware {
		return "", fmt.Errorf("check without the instruments ends with %d, want %d", code, exitHardware)
	}
	for _, i := range r.instruments() {
		if _, err := r.plugInstrument(ctx, i); err != nil {
			return "", err
		}
	}
	var said []string
	code, err = r.checkedUp(ctx, func(i *instrument, f finding) error {
		said = append(said, f.Found)
		return goodReadings(i, f)
	})
	if err != nil {
		return "", err
	}
	if code != exitOK && code != exitOther {
		return "", fmt.Errorf("check with the instruments ends with %d", code)
	}
	if err := enrollBoth(ctx, r.serial, r.usbtmc); err != nil {
		return "", err
	}
	return fmt.Sprintf("check says %q; both enrolled", said), nil
}

func (r *rig) instruments() []*instrument { return []*instrument{r.serial, r.usbtmc} }

// goodReadings is what check must say of an instrument that answers. Attention is
// right where the computer is too busy for the rate that is asked for.
func goodReadings(i *instrument, f finding) error {
	rate, ok := f.rate()
	switch {
	case f.Verdict == "failed" || !strings.Contains(f.Found, i.name) || !strings.Contains(f.Found, supplyVolts.String()):
		return fmt.Errorf("%s answers, check says %+v", i.node, f)
	case !ok || rate < leastRate:
		return fmt.Errorf("%s is read %v times a second by check, want %d: %+v", i.node, rate, leastRate, f)
	}
	return nil
}

// finding is a line of benchvigil check.
type finding struct{ Check, Verdict, Found, Do string }

var ratePattern = regexp.MustCompile(`([0-9.]+) readings a second`)

// rate is what it says of readings a second.
func (f finding) rate() (float64, bool) {
	m := ratePattern.FindStringSubmatch(f.Found)
	if m == nil {
		return 0, false
	}
	rate, err := strconv.ParseFloat(m[1], 64)
	return rate, err == nil
}

// checkedUp runs benchvigil check and judges what it says of each instrument.
// It returns the exit code.
func (r *rig) checkedUp(ctx context.Context, judge func(*instrument, finding) error) (code int, err error) {
	out, code, err := execute(ctx, "check", "--config", configFile, "--data", "/tmp", "--json")
	if err != nil {
		return code, err
	}
	var list []finding
	if err := json.Unmarshal([]byte(out), &list); err != nil {
		return code, fmt.Errorf("check: %w: %s", err, out)
	}
	var errs []error
	for _, i := range r.instruments() {
		f, err := find(list, "supply ("+i.board.station+")")
		if err == nil {
			err = judge(i, f)
		}
		errs = append(errs, err)
	}
	return code, errors.Join(errs...)
}

func find(list []finding, check string) (finding, error) {
	for _, f := range list {
		if f.Check == check {
			return f, nil
		}
	}
	return finding{}, fmt.Errorf("check says nothing about %s", check)
}

// enrollBoth enters the serial instrument in a new configuration and the USBTMC
// one, by its own number, beside it; what was written must check.
func enrollBoth(ctx context.Context, serial, usbtmc *instrument) error {
	line, number := "serial://"+serial.node+"?baud=115200", "usbtmc://serial/"+usbtmc.device.Serial
	err := enroll(ctx, serial, line, "--bench", "vm", "--station", "first")
	if err == nil {
		err = enroll(ctx, usbtmc, number, "--station", "second")
	}
	if err != nil {
		return err
	}
	text, err := os.ReadFile(enrolledFile)
	if err != nil {
		return err
	}
	for _, want := range []string{
		"bench: vm\n", "id: first\n", "port: " + serial.board.path + "\n", line, "id: second\n", "port: " + usbtmc.board.path + "\n", number,
	} {
		if !strings.Contains(string(text), want) {
			return fmt.Errorf("enroll wrote no %q: %s", want, text)
		}
	}
	said, code, err := execute(ctx, "run", "--check-config", "--config", enrolledFile)
	if err == nil && code != exitOK {
		err = fmt.Errorf("what enroll wrote is refused: %s", said)
	}
	return err
}

// enroll enters a station with an instrument; it must have heard its name.
func enroll(ctx context.Context, i *instrument, address string, station ...string) error {
	args := append([]string{
		"enroll", "--config", enrolledFile, "--port", i.board.path, "--supply", address, "--profile", "invented-handset", "--yes",
	}, station...)
	said, code, err := execute(ctx, args...)
	if err == nil && (code != exitOK || !strings.Contains(said, i.name)) {
		err = fmt.Errorf("enroll with %s ends with %d and says %q", address, code, said)
	}
	return err
}

// executeWithin is how long a command of benchvigil may take.
const executeWithin = 30 * time.Second

// execute runs a command of benchvigil to its end. An exit code is no error; what
// goes with one is logged.
func execute(ctx context.Context, args ...string) (stdout string, code int, err error) {
	ctx, cancel := context.WithTimeout(ctx, executeWithin)
	defer cancel()
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Env = []string{"HOME=/tmp", "PATH=/usr/bin"}
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	exit := (*exec.ExitError)(nil)
	if err != nil && (!errors.As(err, &exit) || exit.ExitCode() < 0) {
		return "", 0, fmt.Errorf("benchvigil %s: %w: %s", args[0], err, errs.Bytes())
	}
	if errs.Len() > 0 {
		fmt.Printf("guest: benchvigil %s: %s", args[0], errs.Bytes())
	}
	return string(out), cmd.ProcessState.ExitCode(), nil
}
