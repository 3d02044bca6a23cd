package web

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math"
	"net/http"
	"sync"
)

// iconSizes are those that home screens want: the first of iOS, the others of
// the manifest.
var iconSizes = []int{180, 192, 512}

// The drawing of assets/icon.svg, for what takes no SVG: a line over a ground, in
// units of a 32nd. It stays within the circle that a home screen may cut out.
var (
	iconLine   = [][2]float64{{4, 22}, {10, 22}, {12, 11}, {16, 25}, {20, 16}, {28, 16}}
	iconGround = color.RGBA{0x1c, 0x2a, 0x33, 0xff}
	iconInk    = color.RGBA{0xe8, 0xee, 0xf2, 0xff}
)

const (
	iconWide  = 3.0  // of the line
	iconScale = 0.85 // of the line about the middle
)

// icons are drawn when they are first asked for.
var icons = sync.OnceValues(func() (map[int][]byte, error) {
	out := map[int][]byte{}
	for _, size := range iconSizes {
		var b bytes.Buffer
		if err := png.Encode(&b, drawIcon(size)); err != nil {
			return nil, err
		}
		out[size] = b.Bytes()
	}
	return out, nil
})

func drawIcon(size int) image.Image {
	img := image.NewRGBA(image.Rect(0, 0, size, size))
	unit := 32 / float64(size)
	for y := range size {
		for x := range size {
			px := ((float64(x)+0.5)*unit-16)/iconScale + 16
			py := ((float64(y)+0.5)*unit-16)/iconScale + 16
			cover := (iconWide/2-distance(px, py, iconLine))*iconScale/unit + 0.5
			img.SetRGBA(x, y, mix(iconGround, iconInk, min(max(cover, 0), 1)))
		}
	}
	return img
}

// distance is that of a point from a line of straight parts.
func distance(x, y float64, line [][2]float64) float64 {
	best := math.Inf(1)
	for i := range len(line) - 1 {
		a, b := line[i], line[i+1]
		dx, dy := b[0]-a[0], b[1]-a[1]
		along := ((x-a[0])*dx + (y-a[1])*dy) / (dx*dx + dy*dy)
		along = min(max(along, 0), 1)
		best = min(best, math.Hypot(x-a[0]-along*dx, y-a[1]-along*dy))
	}
	return best
}

func mix(a, b color.RGBA, share float64) color.RGBA {
	of := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + (float64(b)-float64(a))*share)) }
	return color.RGBA{of(a.R, b.R), of(a.G, b.G), of(a.B, b.B), 0xff}
}

func (s *Site) serveIcon(size int) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) {
		all, err := icons()
		if err != nil {
			http.Error(w, "the icon cannot be drawn", http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "image/png")
		w.Header().Set("Cache-Control", "max-age=86400")
		_, _ = w.Write(all[size]) // the client has gone
	}
}
