//go:build linux

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// Files of the daemon in the guest.
const (
	program        = "/usr/bin/benchvigil"
	configFile     = "/etc/benchvigil/config.yaml"
	profileFile    = "/etc/benchvigil/profiles/vm-handset.yaml"
	eventsFile     = "/tmp/events.jsonl"
	recordingFile  = "/tmp/observations.jsonl"
	daemonLog      = "/tmp/benchvigil.log"
	daemonAddress  = "http://127.0.0.1:8420"
	readyWithin    = 30 * time.Second
	stopWithin     = 15 * time.Second
	answerWithin   = 2 * time.Second // of the page, while the bench is in trouble
	readyPollEvery = 50 * time.Millisecond
	shownLogBytes  = 6000
)

// Metrics that the checks look at.
const (
	metricUevents    = "benchvigil_uevents_total"
	metricLost       = "benchvigil_lost_uevents_total"
	metricRescans    = "benchvigil_rescans_total"
	metricMode       = "benchvigil_mode"
	metricPresent    = "benchvigil_usb_present"
	metricQueueDrops = "benchvigil_queue_drops_total"
)

// daemon is benchvigil as shipped, running.
type daemon struct {
	cmd  *exec.Cmd
	done chan struct{}
	err  error // how it ended, once done is closed

	asked    bool // stop was called
	stopTook time.Duration
	stopErr  error
}

// startDaemon starts benchvigil and waits until it says that it is ready.
func startDaemon(ctx context.Context) (*daemon, error) {
	log, err := os.Create(daemonLog)
	if err != nil {
		return nil, err
	}
	defer log.Close() //nolint:errcheck // the daemon has its own descriptor
	//nolint:noctx // it is asked to end, not killed
	cmd := exec.Command(program, "run", "--config", configFile, "--events", eventsFile, "--record", recordingFile)
	cmd.Stdout, cmd.Stderr = log, log
	cmd.Env = []string{"HOME=/tmp", "PATH=/usr/bin"}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	d := &daemon{cmd: cmd, done: make(chan struct{})}
	go func() {
		d.err = cmd.Wait()
		close(d.done)
	}()
	return d, d.waitReady(ctx)
}

func (d *daemon) waitReady(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, readyWithin)
	defer cancel()
	for {
		_, err := get(ctx, "/readyz")
		if err == nil {
			return nil
		}
		select {
		case <-d.done:
			return fmt.Errorf("benchvigil ended: %w", d.ended())
		case <-ctx.Done():
			return fmt.Errorf("benchvigil is not ready: %w", err)
		case <-time.After(readyPollEvery):
		}
	}
}

// ended says how the daemon ended when it should not have.
func (d *daemon) ended() error {
	if d.err == nil {
		return errors.New("exit status 0")
	}
	return d.err
}

func (d *daemon) signal(s syscall.Signal) error { return d.cmd.Process.Signal(s) }

// stop asks the daemon to end, as a service manager does, and notes how it
// took that.
func (d *daemon) stop() {
	began := time.Now()
	d.asked = true
	d.stopErr = d.askToEnd()
	d.stopTook = time.Since(began)
}

func (d *daemon) askToEnd() error {
	select {
	case <-d.done:
		return fmt.Errorf("ended before it was asked to: %w", d.ended())
	default:
	}
	if err := d.signal(syscall.SIGTERM); err != nil {
		return err
	}
	select {
	case <-d.done:
		return d.err
	case <-time.After(stopWithin):
		return fmt.Errorf("still running %v after SIGTERM", stopWithin)
	}
}

// get fetches a page of the daemon.
func get(ctx context.Context, path string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, daemonAddress+path, nil)
	if err != nil {
		return "", err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close() //nolint:errcheck // read to its end
	body, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s: %s", path, resp.Status, bytes.TrimSpace(body))
	}
	return string(body), err
}

// metric fetches one metric.
func metric(ctx context.Context, name string, labels ...string) (float64, error) {
	page, err := get(ctx, "/metrics")
	if err != nil {
		return 0, err
	}
	return findMetric(page, name, labels...)
}

// findMetric finds, in the text form of Prometheus, the first sample of that
// name whose labels contain every given text, such as `station="s1"`.
func findMetric(page, name string, labels ...string) (float64, error) {
	for line := range strings.Lines(page) {
		end := strings.LastIndexByte(line, ' ')
		if end < 0 {
			continue
		}
		family, rest, _ := strings.Cut(line[:end], "{")
		if family == name && containsAll(rest, labels) {
			return strconv.ParseFloat(strings.TrimSpace(line[end:]), 64)
		}
	}
	return 0, fmt.Errorf("no metric %s with %q", name, labels)
}

func containsAll(s string, parts []string) bool {
	for _, p := range parts {
		if !strings.Contains(s, p) {
			return false
		}
	}
	return true
}

// showFailure prints what a person needs to understand a failed check: what
// was concluded and logged since the last one that failed.
func (r *rig) showFailure() {
	for _, e := range r.events.since(r.shown.events) {
		fmt.Printf("guest: event %s %s %s %s\n", e.v.Time.Format(time.TimeOnly), e.v.Source, e.v.Type, e.v.Data)
	}
	r.shown = r.mark()
	log, err := os.ReadFile(daemonLog)
	if err != nil {
		fmt.Println("guest:", err)
		return
	}
	from := max(r.shownLog, len(log)-shownLogBytes)
	fmt.Printf("guest: benchvigil's log:\n%s\n", log[from:])
	r.shownLog = len(log)
}
