//go:build linux

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"time"
)

// settled is how long the tapes may lag behind the files.
const settled = 500 * time.Millisecond

// checkStop judges how the daemon ended when it was asked to.
func checkStop(ctx context.Context, r *rig) (string, error) {
	if r.daemon == nil {
		return "", errors.New("the daemon never ran")
	}
	if !r.daemon.asked { // an earlier check failed before it came to that
		r.daemon.stop()
	}
	if r.daemon.stopErr != nil {
		return "", r.daemon.stopErr
	}
	pause(ctx, settled)
	return fmt.Sprintf("exit status 0 after %s", millis(r.daemon.stopTook)), nil
}

// checkReplay replays the recording and compares with what was told live.
func checkReplay(ctx context.Context, r *rig) (string, error) {
	all, err := replay(ctx)
	if err != nil {
		return "", err
	}
	var counts []string
	for _, s := range r.sockets() {
		live := r.wholeEvents(s)
		if len(live) == 0 && s != r.spare {
			return "", fmt.Errorf("station %s has no events to compare", s.station)
		}
		other := func(e event) bool { return !e.of(s) }
		if err := sameEvents(live, slices.DeleteFunc(slices.Clone(all), other)); err != nil {
			return "", fmt.Errorf("station %s: %w", s.station, err)
		}
		counts = append(counts, fmt.Sprintf("%s %d", s.station, len(live)))
	}
	return fmt.Sprintf("%d observations, equal events: %s", r.observations.mark(), strings.Join(counts, ", ")), nil
}

func (r *rig) wholeEvents(s *socket) []event {
	var list []event
	for _, e := range r.events.since(0) {
		if e.v.of(s) {
			list = append(list, e.v)
		}
	}
	return list
}

// replay runs the recording through benchvigil.
func replay(ctx context.Context) ([]event, error) {
	cmd := exec.CommandContext(ctx, program, "replay", "--profile", profileFile, recordingFile)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("replay: %w: %s", err, errs.Bytes())
	}
	var list []event
	for line := range bytes.Lines(out) {
		e, err := parseEvent(line)
		if err != nil {
			return nil, fmt.Errorf("replay: line %q: %w", line, err)
		}
		list = append(list, e)
	}
	return list, nil
}

// sameEvents compares everything but the source, which names the bench.
func sameEvents(live, replayed []event) error {
	for i := range max(len(live), len(replayed)) {
		switch {
		case i >= len(live):
			return fmt.Errorf("replayed but never told: %s %s", replayed[i].brief(), replayed[i].Data)
		case i >= len(replayed):
			return fmt.Errorf("told but not replayed: %s %s", live[i].brief(), live[i].Data)
		}
		a, b := live[i], replayed[i]
		if a.ID != b.ID || a.Type != b.Type || !a.Time.Equal(b.Time) || !bytes.Equal(a.Data, b.Data) {
			return fmt.Errorf("event %d: live %s %s %s, replayed %s %s %s", i+1, a.ID, a.brief(), a.Data, b.ID, b.brief(), b.Data)
		}
	}
	return nil
}
