package web

import (
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Text stands out from its ground by 4.5 to 1, and what shows where something
// can be pressed by 3 to 1 (WCAG 2.2, 1.4.3 and 1.4.11), by day and by night,
// on the wall and on the phone.
func TestContrast(t *testing.T) {
	const reads, shows = 4.5, 3
	pairs := []struct {
		front, ground string
		least         float64
	}{
		{"text", "ground", reads},
		{"text", "tile", reads},
		{"soft", "ground", reads},
		{"soft", "tile", reads},
		{"soft", "rail", reads}, // hands on
		{"text", "rail", reads},
		{"text", "danger-wash", reads},
		{"soft", "danger-wash", reads},
		{"text", "abnormal-wash", reads},
		{"soft", "abnormal-wash", reads},
		{"text", "action-wash", reads},
		{"soft", "action-wash", reads},
		{"on-danger", "danger", reads},
		{"on-abnormal", "abnormal", reads},
		{"on-action", "action", reads},
		{"normal", "tile", reads},
		{"on-press", "press", reads},
		{"soft", "press", reads}, // the key on a button
		{"ground", "text", reads},
		{"press-edge", "press", shows},
		{"press-edge", "danger-wash", shows},
		{"press-edge", "tile", shows},  // the button of an alert that is over
		{"on-danger", "danger", shows}, // that of one that stands: its edge
		{"on-abnormal", "abnormal", shows},
		{"danger", "tile", shows}, // the edge of an alert
		{"abnormal-edge", "tile", shows},
		{"select", "ground", shows},
	}
	for name, colours := range themes(t) {
		for _, p := range pairs {
			if strings.HasPrefix(name, "phone") && p.least == reads && p.ground != "rail" {
				p.least = 7 // in sunlight
			}
			if got := contrast(t, colours, p.front, p.ground); got < p.least {
				t.Errorf("%s: %s on %s is %.2f to 1, want %g", name, p.front, p.ground, got, p.least)
			}
		}
	}
}

// What is chosen is lit as the phone would light it.
func TestChosenThemes(t *testing.T) {
	b, err := os.ReadFile("assets/theme.css")
	if err != nil {
		t.Fatal(err)
	}
	all := themes(t)
	for class, want := range map[string]string{"light": "phone", "dark": "phone at night"} {
		block := regexp.MustCompile(`(?s)\.phone\.` + class + ` \{.*?\n\}`).Find(b)
		got := map[string]string{}
		for _, m := range property.FindAllSubmatch(block, -1) {
			got[string(m[1])] = string(m[2])
		}
		if diff := cmp.Diff(all[want], got); diff != "" {
			t.Errorf(".phone.%s (-want +got):\n%s", class, diff)
		}
	}
}

// By day a page for a phone is light, unless somebody chose otherwise in that
// browser; what else a cookie says is nothing.
func TestThemeByTheSun(t *testing.T) {
	for _, tc := range []struct {
		chosen string
		hour   int
		want   string
	}{
		{themeAuto, 6, ""},
		{themeAuto, 7, "light"},
		{themeAuto, 18, "light"},
		{themeAuto, 19, ""},
		{themeDark, 12, "dark"},
		{themeLight, 23, "light"},
	} {
		if got := themeOf(tc.chosen, tc.hour); got != tc.want {
			t.Errorf("%+v: %q", tc, got)
		}
	}
	for cookie, want := range map[string]string{"dark": "phone dark", "light": "phone light", "x y": "phone"} {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://localhost/m", nil)
		r.Header.Set("Cookie", "theme="+cookie)
		w := httptest.NewRecorder()
		newSite(t, options(t)).Handler().ServeHTTP(w, r)
		if got := attribute(one(t, parse(t, w.Body.String()), "html", ""), "class"); got != want && !(cookie == "x y" && got == "phone light") {
			t.Errorf("with %q the page is %q", cookie, got)
		}
	}
	if r := send(t, options(t), "/theme", "theme=dark"); r.StatusCode != http.StatusSeeOther || len(r.Cookies()) != 1 || r.Cookies()[0].Value != "dark" {
		t.Errorf("chosen: %s, %v", r.Status, r.Cookies())
	}
	if r := send(t, options(t), "/theme", "theme=pink"); r.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("pink: %s", r.Status)
	}
}

// themes are the custom properties in force for each kind of page and light.
func themes(t *testing.T) map[string]map[string]string {
	t.Helper()
	wall, wallDark := properties(t, "style.css")
	marks, marksDark := properties(t, "marks.css")
	phone, phoneDark := properties(t, "phone.css")
	return map[string]map[string]string{
		"wall":           over(wall, marks),
		"wall at night":  over(wall, marks, wallDark, marksDark),
		"phone":          over(wall, marks, phone),
		"phone at night": over(wall, marks, wallDark, marksDark, phone, phoneDark),
	}
}

func over(layers ...map[string]string) map[string]string {
	out := map[string]string{}
	for _, l := range layers {
		maps.Copy(out, l)
	}
	return out
}

var (
	darkBlock = regexp.MustCompile(`(?s)@media \(prefers-color-scheme: dark\) \{.*?\n\}`)
	property  = regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]{6});`)
)

func properties(t *testing.T, file string) (light, dark map[string]string) {
	t.Helper()
	b, err := os.ReadFile("assets/" + file)
	if err != nil {
		t.Fatal(err)
	}
	light, dark = map[string]string{}, map[string]string{}
	block := darkBlock.Find(b)
	if block == nil {
		t.Fatalf("%s has no colours for the night", file)
	}
	for _, m := range property.FindAllSubmatch(block, -1) {
		dark[string(m[1])] = string(m[2])
	}
	for _, m := range property.FindAllSubmatch(darkBlock.ReplaceAll(b, nil), -1) {
		light[string(m[1])] = string(m[2])
	}
	return light, dark
}

// contrast is the ratio of WCAG 2.2, "contrast ratio".
func contrast(t *testing.T, colours map[string]string, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, colours[a]), luminance(t, colours[b])
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// luminance is that of WCAG 2.2, "relative luminance".
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	if len(hex) != 7 {
		t.Fatalf("the colour %q", hex)
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		n, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		v := float64(n) / 255
		if v <= 0.04045 {
			v /= 12.92
		} else {
			v = math.Pow((v+0.055)/1.055, 2.4)
		}
		sum += weight * v
	}
	return sum
}

func TestLuminance(t *testing.T) {
	colours := map[string]string{"black": "#000000", "white": "#ffffff", "grey": "#767676"}
	for pair, want := range map[[2]string]string{{"black", "white"}: "21.00", {"grey", "white"}: "4.54", {"white", "white"}: "1.00"} {
		if got := fmt.Sprintf("%.2f", contrast(t, colours, pair[0], pair[1])); got != want {
			t.Errorf("%v: %s, want %s", pair, got, want)
		}
	}
}
