package browser

import (
	"bytes"
	"encoding/base64"
	"encoding/csv"
	"fmt"
	"image"
	_ "image/png"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/unit"
)

// What is taken away from the page of a station is what the ledger has: a picture,
// the readings as a table, and a recording that replays.
func TestExports(t *testing.T) {
	r := newRig(t, "", "left")
	r.boards["left"].draw(412 * unit.Milliampere)
	time.Sleep(5 * time.Second) // of readings: what there is to be taken away
	p := newTab(t)
	defer p.close()
	p.open(r.url + "/station/left")
	p.wait("readings in the chart", `document.getElementById("chart")?.dataset.step && document.getElementById("chart").ariaBusy !== "true"`)

	p.givesAPicture()
	from, to := wholeSeconds(t, p)
	span := fmt.Sprintf("from=%d&to=%d", from.UnixMilli(), to.UnixMilli())
	table := r.fetch(p, "csv", span)
	for i, row := range read(t, table)[1:] {
		if amps, err := strconv.ParseFloat(row[len(row)-1], 64); err != nil || amps != 0.412 {
			t.Errorf("row %d is %q, want 0.412 A", i, row)
		}
	}
	printed := r.command("", "trace", "export", "--data", r.data(), "--station", "left", "--from", from.Format(time.RFC3339), "--to", to.Format(time.RFC3339))
	if diff := cmp.Diff(read(t, printed), read(t, table)); diff != "" || len(read(t, table)) < 10 {
		t.Errorf("the page's table is not what the ledger has (-ledger +page):\n%s", diff)
	}
	file := filepath.Join(t.TempDir(), "left.jsonl")
	must(t, os.WriteFile(file, []byte(r.fetch(p, "recording", span)), 0o600))
	family, err := filepath.Abs("../../../configs/profiles/invented-handset.yaml")
	must(t, err)
	if said := r.command("", "replay", "--profile", family, file); !strings.Contains(said, "benchvigil.run.") || strings.Contains(said, "dropped") {
		t.Errorf("the recording replays to %q, want a run that goes on", said)
	}
}

// givesAPicture presses for one and looks at it.
func (p *tab) givesAPicture() {
	p.tb.Helper()
	text := run[string](p, `new Promise((done) => {
		const make = URL.createObjectURL;
		URL.createObjectURL = (blob) => {
			const r = new FileReader();
			r.onload = () => done(r.result.split(",")[1]);
			r.readAsDataURL(blob);
			return make.call(URL, blob);
		};
		document.getElementById("png").click();
	})`)
	b, err := base64.StdEncoding.DecodeString(text)
	must(p.tb, err)
	picture, kind, err := image.Decode(bytes.NewReader(b))
	if err != nil || kind != "png" {
		p.tb.Fatalf("no picture: %s %v", kind, err)
	}
	colours, size := map[uint32]bool{}, picture.Bounds()
	for x := size.Min.X; x < size.Max.X; x += 2 {
		for y := size.Min.Y; y < size.Max.Y; y += 2 {
			red, green, blue, _ := picture.At(x, y).RGBA()
			colours[red>>8<<16|green>>8<<8|blue>>8] = true
		}
	}
	if size.Dx() < 300 || size.Dy() < 200 || len(colours) < 8 {
		p.tb.Errorf("the picture is %v with %d colours: nothing is drawn", size, len(colours))
	}
}

// wholeSeconds are two in which readings of the chart lie, and which are over.
func wholeSeconds(t *testing.T, p *tab) (from, to time.Time) {
	t.Helper()
	now := time.UnixMilli(int64(run[float64](p, `Number(document.getElementById("moment").getAttribute("value"))`))).UTC()
	return now.Add(-4 * time.Second), now.Add(-time.Second)
}

// fetch gets what a link of the page leads to, for a time.
func (r *rig) fetch(p *tab, link, span string) string {
	r.tb.Helper()
	address := run[string](p, fmt.Sprintf(`document.getElementById(%s).getAttribute("href")`, strconv.Quote(link)))
	path, _, _ := strings.Cut(address, "?")
	q, err := http.NewRequestWithContext(r.tb.Context(), http.MethodGet, r.url+path+"?"+span, http.NoBody)
	must(r.tb, err)
	a, err := r.client.Do(q)
	must(r.tb, err)
	defer a.Body.Close() //nolint:errcheck // read to its end
	b, err := io.ReadAll(a.Body)
	if err != nil || a.StatusCode != http.StatusOK {
		r.tb.Fatalf("%s: %s %v: %s", address, a.Status, err, b)
	}
	return string(b)
}

func read(t *testing.T, table string) [][]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		t.Fatalf("no CSV: %v: %.200s", err, table)
	}
	return rows
}
