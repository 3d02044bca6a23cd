package web

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
	"benchvigil/internal/web/states"
)

// The load of BenchmarkFanOut.
const (
	fanClients  = 200
	fanStations = 40
	fanPeriod   = 200 * time.Millisecond // between two changes of each station
	fanFor      = 10 * time.Second
	fanReader   = "BENCHVIGIL_FAN_READER" // the address, for the process that reads
	fanBegan    = "BENCHVIGIL_FAN_BEGAN"
)

// playing is a bench on which every station changes every fanPeriod: the current
// counts the changes in milliamperes above 400 mA, so that a reader can tell when what it
// got was new.
func playing(began time.Time) func() []bench.Snapshot {
	all := states.Stations(fanStations)
	for i := range all {
		all[i] = states.Running()
		all[i].Station, all[i].Name = fmt.Sprintf("s-%d", i+1), fmt.Sprintf("Wren %d", i+1)
	}
	return func() []bench.Snapshot {
		n := time.Since(began) / fanPeriod
		out := slices.Clone(all)
		for i := range out {
			out[i] = states.Later(out[i], n*fanPeriod)
			out[i].Reading.Amps = unit.Some(unit.FromAmps(0.4) + unit.Current(n)*unit.Milliampere)
		}
		return out
	}
}

// fanResult is what the reading process found.
type fanResult struct {
	Bytes    int64
	Ages     []float64 // ms
	Quickest int       // the fewest news that one client got
}

// BenchmarkFanOut is 200 walls of 40 stations over real TCP, with one client
// more that reads nothing. The readers are another process, so that the
// processor time is the server's.
func BenchmarkFanOut(b *testing.B) {
	for b.Loop() {
		began := time.Now()
		s, err := New(Options{Bench: "north", Version: "1", Zone: time.UTC, Logger: zap.NewNop(), Snapshots: playing(began)})
		if err != nil {
			b.Fatal(err)
		}
		server, address := fanServe(b, s)
		ctx, stop := context.WithCancel(b.Context())
		var run sync.WaitGroup
		run.Go(func() { _ = s.Run(ctx) })
		dead := fanDead(b, address)
		before := processorTime(b)
		r := fanRead(b, address, began)
		spent := processorTime(b) - before
		_ = dead.Close()
		stop()
		run.Wait()
		s.live.Close()
		_ = server.Close()
		slices.Sort(r.Ages)
		if len(r.Ages) == 0 || r.Quickest < int(fanFor/time.Second)*2 {
			b.Fatalf("a client got %d news in %v: somebody was kept waiting", r.Quickest, fanFor)
		}
		b.ReportMetric(100*spent.Seconds()/fanFor.Seconds(), "%cpu")
		b.ReportMetric(float64(r.Bytes)/fanFor.Seconds()/fanClients, "B/s/client")
		b.ReportMetric(r.Ages[len(r.Ages)/2], "ms-age-p50")
		b.ReportMetric(r.Ages[len(r.Ages)*99/100], "ms-age-p99")
		b.ReportMetric(0, "ns/op")
	}
}

func fanServe(b *testing.B, s *Site) (server *http.Server, address string) {
	b.Helper()
	l, err := (&net.ListenConfig{}).Listen(b.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	server = &http.Server{Handler: s.Handler(), ReadHeaderTimeout: time.Second}
	go func() { _ = server.Serve(l) }()
	return server, l.Addr().String()
}

// fanDead asks for a stream and never reads.
func fanDead(b *testing.B, address string) net.Conn {
	b.Helper()
	c, err := (&net.Dialer{}).DialContext(b.Context(), "tcp", address)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := fmt.Fprintf(c, "GET /live?wall HTTP/1.1\r\nHost: %s\r\n\r\n", address); err != nil {
		b.Fatal(err)
	}
	return c
}

func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// fanRead has the readers in a process of their own.
func fanRead(b *testing.B, address string, began time.Time) (r fanResult) {
	b.Helper()
	c := exec.CommandContext(b.Context(), os.Args[0], "-test.run=^TestFanReader$", "-test.v")
	c.Env = append(os.Environ(), fanReader+"="+address, fanBegan+"="+strconv.FormatInt(began.UnixNano(), 10))
	out, err := c.CombinedOutput()
	_, result, found := bytes.Cut(out, []byte("RESULT "))
	if err != nil || !found {
		b.Fatalf("the readers: %v\n%.2000s", err, out)
	}
	line, _, _ := bytes.Cut(result, []byte("\n"))
	if err := json.Unmarshal(line, &r); err != nil {
		b.Fatal(err)
	}
	return r
}

// TestFanReader is the other process of BenchmarkFanOut.
func TestFanReader(t *testing.T) {
	address := os.Getenv(fanReader)
	if address == "" {
		t.Skip("this is the other process of BenchmarkFanOut")
	}
	nanos, err := strconv.ParseInt(os.Getenv(fanBegan), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(t.Context(), fanFor)
	defer stop()
	all := make([]fanResult, fanClients)
	var readers sync.WaitGroup
	for i := range all {
		readers.Go(func() { all[i] = fanListen(ctx, address, time.Unix(0, nanos)) })
	}
	readers.Wait()
	sum := fanResult{Quickest: len(all[0].Ages)}
	for _, r := range all {
		sum.Bytes += r.Bytes
		sum.Ages = append(sum.Ages, r.Ages...)
		sum.Quickest = min(sum.Quickest, len(r.Ages))
	}
	line, err := json.Marshal(sum)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Printf("RESULT %s\n", line)
	http.DefaultClient.CloseIdleConnections()
}

// fanListen reads one stream until ctx ends.
func fanListen(ctx context.Context, address string, began time.Time) (r fanResult) {
	q, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/live?wall", http.NoBody)
	if err != nil {
		return r
	}
	resp, err := http.DefaultClient.Do(q)
	if err != nil {
		return r
	}
	defer resp.Body.Close() //nolint:errcheck // read only
	for in := bufio.NewReaderSize(resp.Body, 64<<10); ; {
		line, err := in.ReadString('\n')
		r.Bytes += int64(len(line))
		if err != nil {
			return r
		}
		if n, is := changeOf(line); is {
			r.Ages = append(r.Ages, float64(time.Since(began.Add(time.Duration(n)*fanPeriod)).Microseconds())/1000)
		}
	}
}

// changeOf finds which change of the first station a line of ticks tells of.
func changeOf(line string) (n int, is bool) {
	_, rest, found := strings.Cut(line, `"s-1":{"amps":"`)
	if !found {
		return 0, false
	}
	text, _, _ := strings.Cut(rest, " mA")
	amps, err := strconv.Atoi(text)
	return amps - 400, err == nil
}
