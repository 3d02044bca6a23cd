//go:build linux

package main

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// samples are measured delays.
type samples []time.Duration

func (s *samples) add(d time.Duration) { *s = append(*s, d) }

// quantile is the smallest sample that at least the part q of them reach.
func (s samples) quantile(q float64) time.Duration {
	sorted := slices.Sorted(slices.Values(s))
	if len(sorted) == 0 {
		return 0
	}
	return sorted[max(0, int(math.Ceil(q*float64(len(sorted))))-1)]
}

func (s samples) String() string {
	return fmt.Sprintf("n=%d p50=%s p95=%s max=%s", len(s), millis(s.quantile(0.5)), millis(s.quantile(0.95)), millis(s.quantile(1)))
}

func millis(d time.Duration) string { return fmt.Sprintf("%d ms", d.Milliseconds()) }

// micros is a number in millionths.
func micros(v float64) int64 { return int64(math.Round(v * 1e6)) }
