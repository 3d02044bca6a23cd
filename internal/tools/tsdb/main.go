// The command tsdb stores readings in a Prometheus tsdb, as integers, and says
// what they take: the yardstick for our own store. It is a module of its own so
// that the program does not depend on that of 250 others.
//
// Usage: tsdb READINGS.csv, with lines "series,Unix ms,mV,mA" in order of time.
package main

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: tsdb READINGS.csv")
		os.Exit(1)
	}
	if err := run(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

type reading struct {
	series string
	at     int64
	values [2]float64 // mV, mA
}

func run(file string) error {
	readings, err := load(file)
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "tsdb")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a folder of ours
	began := processor()
	wal, err := store(dir, readings)
	if err != nil {
		return err
	}
	spent := processor() - began
	values := float64(2 * len(readings))
	blocks, err := size(dir)
	if err != nil {
		return err
	}
	fmt.Printf("tsdb: log %.2f B/value, then blocks %.2f B/value; %.0f readings/cpu-s, no sync\n",
		float64(wal)/values, float64(blocks)/values, float64(len(readings))/spent.Seconds())
	return nil
}

// store appends everything, a commit a second, and turns it into a block. It
// returns how large the write-ahead log was before.
func store(dir string, readings []reading) (wal int64, err error) {
	o := tsdb.DefaultOptions()
	o.MinBlockDuration, o.MaxBlockDuration = 48*time.Hour.Milliseconds(), 48*time.Hour.Milliseconds()
	o.RetentionDuration = 0
	db, err := tsdb.Open(dir, slog.New(slog.DiscardHandler), nil, o, nil)
	if err != nil {
		return 0, err
	}
	defer db.Close() //nolint:errcheck // only sizes matter
	if err := add(db, readings); err != nil {
		return 0, err
	}
	if wal, err = size(filepath.Join(dir, "wal")); err != nil {
		return 0, err
	}
	head := db.Head()
	if err := db.CompactHead(tsdb.NewRangeHead(head, head.MinTime(), head.MaxTime())); err != nil {
		return 0, err
	}
	return wal, os.RemoveAll(filepath.Join(dir, "wal"))
}

func add(db *tsdb.DB, readings []reading) error {
	refs := map[string][2]storage.SeriesRef{}
	for len(readings) > 0 {
		app := db.Appender(context.Background())
		until := readings[0].at + 1000
		for len(readings) > 0 && readings[0].at < until {
			r := readings[0]
			readings = readings[1:]
			known := refs[r.series]
			for i, name := range []string{"volts", "amps"} {
				ref, err := app.Append(known[i], labels.FromStrings("__name__", name, "station", r.series), r.at, r.values[i])
				if err != nil {
					continue // the same millisecond twice: it is lost
				}
				known[i] = ref
			}
			refs[r.series] = known
		}
		if err := app.Commit(); err != nil {
			return err
		}
	}
	return nil
}

func load(file string) (out []reading, err error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // it was only read
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		p := strings.Split(lines.Text(), ",")
		if len(p) != 4 {
			return nil, fmt.Errorf("%s: %q: want four fields", file, lines.Text())
		}
		r := reading{series: p[0]}
		if r.at, err = strconv.ParseInt(p[1], 10, 64); err != nil {
			return nil, err
		}
		for i := range r.values {
			if r.values[i], err = strconv.ParseFloat(p[2+i], 64); err != nil {
				return nil, err
			}
		}
		out = append(out, r)
	}
	return out, lines.Err()
}

// size is what the files of a folder hold.
func size(dir string) (n int64, err error) {
	err = filepath.Walk(dir, func(path string, info os.FileInfo, err error) error {
		if err == nil && info.Mode().IsRegular() && !strings.Contains(path, "chunks_head") {
			n += info.Size()
		}
		return err
	})
	return n, err
}

func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
