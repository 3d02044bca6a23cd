package browser

import (
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// painted are the pages that people open, each on a bench of its own: what else
// runs on the computer is painted later. The first is one of a single word, which
// takes what this browser needs on this computer for any page.
var painted = []struct {
	name string
	open func(tb testing.TB) string
}{
	{"one word", oneWord},
	{"wall of 6", states("6", wallPath)},
	{"wall of 12", states("12", wallPath)},
	{"wall of 40", states("40", wallPath)},
	{"desk of 6", states("6", "/")},
	{"station", states("6", "/station/s-2")},
	{"stations on a phone", states("6", "/m")},
	{"a station on a phone", states("6", "/m/s-2")},
	{"alerts", states("6", "/alerts")},
}

func states(stations, path string) func(testing.TB) string {
	return func(tb testing.TB) string {
		tb.Helper()
		return demo(tb, "--states", "--stations", stations) + path
	}
}

func oneWord(tb testing.TB) string {
	tb.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		_, _ = io.WriteString(w, `<!doctype html><html lang="en"><title>one</title><link rel="icon" href="data:,"><p>Word`)
	}))
	tb.Cleanup(s.Close)
	return s.URL
}

// How long it takes from the click to the first text on the screen, over
// loopback, with nothing of the page in the browser's cache. The aim is 300 ms.
//
//	make bench-web
func BenchmarkFirstPaint(b *testing.B) {
	for _, one := range painted {
		b.Run(one.name, func(b *testing.B) {
			p, address := newTab(b), one.open(b)
			defer p.close()
			_, err := chromedp.Call(p.ctx, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
			must(b, err)
			p.open(address) // a program that has just started reads its pages first
			var took []float64
			for b.Loop() {
				p.open(address)
				took = append(took, until[float64](p, "a paint", `performance.getEntriesByName("first-contentful-paint")[0]?.startTime`))
			}
			slices.Sort(took)
			b.ReportMetric(took[len(took)/2], "p50-ms")
			b.ReportMetric(took[len(took)-1], "max-ms")
			b.ReportMetric(0, "ns/op")
		})
	}
}
