package browser

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"testing"
)

// rgb is a colour of sRGB, 0 to 1, encoded or linear.
type rgb [3]float64

// lab is a colour of CIE 1976 L*a*b*.
type lab [3]float64

type matrix [3][3]float64

func (m matrix) of(v [3]float64) (out [3]float64) {
	for i, row := range m {
		for j, x := range row {
			out[i] += x * v[j]
		}
	}
	return out
}

// eyes are those of Machado, Oliveira and Fernandes, "A Physiologically-based
// Model for Simulation of Color Vision Deficiency" (2009), severity 1.0, for
// linear sRGB.
var eyes = map[string]matrix{
	"usual":        {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protanopia":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deuteranopia": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
	"tritanopia":   {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
}

// linear decodes sRGB (IEC 61966-2-1).
func (c rgb) linear() (out rgb) {
	for i, v := range c {
		if out[i] = v / 12.92; v > 0.04045 {
			out[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	return out
}

// seenBy is the colour that such eyes make of c.
func (c rgb) seenBy(eye matrix) lab {
	seen := eye.of(c.linear())
	for i := range seen {
		seen[i] = min(max(seen[i], 0), 1)
	}
	return toLab(seen)
}

// toLab goes from linear sRGB by XYZ and the white of D65.
func toLab(linear [3]float64) lab {
	xyz := matrix{{0.4124564, 0.3575761, 0.1804375}, {0.2126729, 0.7151522, 0.0721750}, {0.0193339, 0.1191920, 0.9503041}}.of(linear)
	var f [3]float64
	for i, white := range []float64{0.95047, 1, 1.08883} {
		t := xyz[i] / white
		if f[i] = math.Cbrt(t); t <= 216.0/24389 {
			f[i] = (t*24389/27 + 16) / 116
		}
	}
	return lab{116*f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])}
}

// difference is CIEDE2000 (ISO/CIE 11664-6) with all weights 1, after Sharma, Wu
// and Dalal, "The CIEDE2000 Color-Difference Formula: Implementation Notes,
// Supplementary Test Data, and Mathematical Observations" (2005).
func difference(x, y lab) float64 {
	mean7 := math.Pow((math.Hypot(x[1], x[2])+math.Hypot(y[1], y[2]))/2, 7)
	g := 1 + 0.5*(1-math.Sqrt(mean7/(mean7+math.Pow(25, 7))))
	c1, h1 := polar(g*x[1], x[2])
	c2, h2 := polar(g*y[1], y[2])
	dh, sum := h2-h1, h1+h2
	switch {
	case c1*c2 == 0:
		dh = 0
	case dh > 180:
		dh, sum = dh-360, sum+360
	case dh < -180:
		dh, sum = dh+360, sum+360
	default:
		sum = math.Mod(sum, 720)
	}
	h := sum / 2
	if c1*c2 == 0 {
		h = h1 + h2
	}
	l, c := (x[0]+y[0])/2-50, (c1+c2)/2
	t := 1 - 0.17*cos(h-30) + 0.24*cos(2*h) + 0.32*cos(3*h+6) - 0.20*cos(4*h-63)
	dl := (y[0] - x[0]) / (1 + 0.015*l*l/math.Sqrt(20+l*l))
	dc := (c2 - c1) / (1 + 0.045*c)
	dH := 2 * math.Sqrt(c1*c2) * sin(dh/2) / (1 + 0.015*c*t)
	c7 := math.Pow(c, 7)
	turn := -2 * math.Sqrt(c7/(c7+math.Pow(25, 7))) * sin(60*math.Exp(-math.Pow((h-275)/25, 2)))
	return math.Sqrt(dl*dl + dc*dc + dH*dH + turn*dc*dH)
}

func cos(degrees float64) float64 { return math.Cos(degrees * math.Pi / 180) }
func sin(degrees float64) float64 { return math.Sin(degrees * math.Pi / 180) }

// polar is chroma and hue, in degrees from 0 to 360.
func polar(a, b float64) (chroma, hue float64) {
	return math.Hypot(a, b), math.Mod(math.Atan2(b, a)*180/math.Pi+360, 360)
}

// Of the test data that Sharma, Wu and Dalal publish, those that tell the
// branches apart.
func TestDifference(t *testing.T) {
	for _, tc := range []struct {
		x, y lab
		want float64
	}{
		{lab{50, 2.6772, -79.7751}, lab{50, 0, -82.7485}, 2.0425},
		{lab{50, 3.1571, -77.2803}, lab{50, 0, -82.7485}, 2.8615},
		{lab{50, -1.3802, -84.2814}, lab{50, 0, -82.7485}, 1.0000},
		{lab{50, 0, 0}, lab{50, -1, 2}, 2.3669},
		{lab{50, 2.49, -0.001}, lab{50, -2.49, 0.0009}, 7.1792},
		{lab{50, 2.49, -0.001}, lab{50, -2.49, 0.0011}, 7.2195},
		{lab{50, 2.5, 0}, lab{50, 0, -2.5}, 4.3065},
		{lab{50, 2.5, 0}, lab{73, 25, -18}, 27.1492},
		{lab{60.2574, -34.0099, 36.2677}, lab{60.4626, -34.1751, 39.4387}, 1.2644},
		{lab{2.0776, 0.0795, -1.1350}, lab{0.9033, -0.0636, -0.5514}, 0.9082},
	} {
		for _, got := range []float64{difference(tc.x, tc.y), difference(tc.y, tc.x)} {
			if math.Abs(got-tc.want) > 5e-5 {
				t.Errorf("%v and %v: %.4f, want %.4f", tc.x, tc.y, got, tc.want)
			}
		}
	}
}

func TestToLab(t *testing.T) {
	for _, tc := range []struct{ c, want rgb }{
		{rgb{1, 1, 1}, rgb{100, 0, 0}}, {rgb{0, 0, 0}, rgb{0, 0, 0}}, {rgb{1, 0, 0}, rgb{53.24, 80.09, 67.20}},
	} {
		got := tc.c.seenBy(eyes["usual"])
		for i := range got {
			if math.Abs(got[i]-tc.want[i]) > 0.02 {
				t.Errorf("%v: %.2f, want %v", tc.c, got, tc.want)
				break
			}
		}
	}
}

// leastApart is how far apart the colours of two states must be for every eye:
// about 2 is a difference that is just seen, side by side; this is one that is
// seen across a room. Our own choice.
const leastApart = 10

// Every two states are told apart by whoever looks, by their colours and, without
// any colour, by the shapes of their signs.
func TestStatesAreToldApart(t *testing.T) {
	p := newTab(t)
	defer p.close()
	p.open(demo(t, "--states", "--stations", "1") + "/dev/states")
	for _, light := range []string{"light", "dark"} {
		p.features("prefers-color-scheme", light)
		colours := run[map[string]rgb](p, signColours)
		if len(colours) != 5 {
			t.Fatalf("%d states have a colour, want 5: %v", len(colours), colours)
		}
		for eye, m := range eyes {
			for _, two := range pairs(colours) {
				if d := difference(colours[two[0]].seenBy(m), colours[two[1]].seenBy(m)); d < leastApart {
					t.Errorf("%s, %s: %s and %s are %.1f apart, want %d", light, eye, two[0], two[1], d, leastApart)
				}
			}
		}
	}
	shapes := run[map[string][]bool](p, signShapes)
	for _, two := range pairs(shapes) {
		if like := overlap(shapes[two[0]], shapes[two[1]]); like > 0.75 {
			t.Errorf("the signs of %s and %s share %.0f %% of their black", two[0], two[1], 100*like)
		}
	}
}

func pairs[V any](all map[string]V) (out [][2]string) {
	names := slices.Sorted(maps.Keys(all))
	for i, a := range names {
		for _, b := range names[i+1:] {
			out = append(out, [2]string{a, b})
		}
	}
	return out
}

// overlap is the part of what is black in one of them that is black in both.
func overlap(a, b []bool) float64 {
	both, any := 0, 0
	for i := range a {
		if a[i] || b[i] {
			any++
		}
		if a[i] && b[i] {
			both++
		}
	}
	return float64(both) / float64(max(any, 1))
}

// signColours are the colours of the signs as they are shown, by state: of the
// plate, or of the mark where there is no plate.
var signColours = fmt.Sprintf(`(() => {
	const out = {}, paint = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
	for (const state of %[1]s) {
		const sign = document.querySelector(".legend ." + state + " .sign");
		const part = document.querySelector("#sign-" + state + " .plate") ? "--plate" : "--mark";
		paint.fillStyle = getComputedStyle(sign).getPropertyValue(part).trim();
		paint.fillRect(0, 0, 1, 1);
		out[state] = [...paint.getImageData(0, 0, 1, 1).data.slice(0, 3)].map((v) => v / 255);
	}
	return out })()`, severities)

// signShapes are the signs in black and white, 24 × 24.
var signShapes = fmt.Sprintf(`(() => {
	const out = {};
	for (const state of %[1]s) {
		const paint = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
		Object.assign(paint, { lineWidth: 3, lineCap: "round", lineJoin: "round" });
		let plate = false;
		for (const e of document.getElementById("sign-" + state).children) {
			const path = new Path2D(e.getAttribute("d") ?? undefined);
			if (e.tagName === "circle") path.arc(e.cx.baseVal.value, e.cy.baseVal.value, e.r.baseVal.value, 0, 7);
			if (e.matches(".plate")) paint.fill(path), (plate = true);
			else {
				paint.globalCompositeOperation = plate ? "destination-out" : "source-over";
				paint.stroke(path);
			}
		}
		const data = paint.getImageData(0, 0, 24, 24).data;
		out[state] = Array.from({ length: 576 }, (_, i) => data[4 * i + 3] > 127);
	}
	return out })()`, severities)

const severities = `["danger", "abnormal", "action", "normal", "neutral"]`
