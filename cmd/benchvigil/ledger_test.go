package main

import (
	"testing"
	"time"
)

func TestParseMoment(t *testing.T) {
	zone := time.FixedZone("here", 3600)
	now := time.Date(2026, 3, 2, 22, 0, 0, 0, zone)
	for text, want := range map[string]time.Time{
		"":                         {},
		"90m":                      now.Add(-90 * time.Minute),
		"2026-03-02T21:14:05Z":     time.Date(2026, 3, 2, 22, 14, 5, 0, zone),
		"2026-03-02T21:14:05.120Z": time.Date(2026, 3, 2, 22, 14, 5, 120_000_000, zone),
		"2026-03-02 21:14":         time.Date(2026, 3, 2, 21, 14, 0, 0, zone),
		"2026-03-02 21:14:05":      time.Date(2026, 3, 2, 21, 14, 5, 0, zone),
		"2026-03-02":               time.Date(2026, 3, 2, 0, 0, 0, 0, zone),
	} {
		if got, err := parseMoment(text, now); err != nil || !got.Equal(want) {
			t.Errorf("%q: %v, %v; want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"yesterday", "21:14", "90", "2026-13-01"} {
		if got, err := parseMoment(text, now); err == nil {
			t.Errorf("%q is read as %v", text, got)
		}
	}
}
