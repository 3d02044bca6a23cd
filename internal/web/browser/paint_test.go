package browser

import (
	"slices"
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// How long it takes from the click to the first text on the screen, over
// loopback, with nothing of the page in the browser's cache. The aim is 300 ms.
//
//	make bench-web
func BenchmarkFirstPaint(b *testing.B) {
	for _, one := range allPages(b) {
		b.Run(one.name, func(b *testing.B) {
			p := newTab(b)
			defer p.close()
			_, err := chromedp.Call(p.ctx, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
			must(b, err)
			var took []float64
			for b.Loop() {
				p.open(one.url)
				took = append(took, until[float64](p, "a paint", `performance.getEntriesByName("first-contentful-paint")[0]?.startTime`))
			}
			slices.Sort(took)
			b.ReportMetric(took[len(took)/2], "p50-ms")
			b.ReportMetric(took[len(took)-1], "max-ms")
		})
	}
}
