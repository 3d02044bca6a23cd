package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/skip2/go-qrcode"

	"benchvigil/internal/logkey"
)

// Push lets phones subscribe to alerts. Handler and Phones are needed.
type Push struct {
	Handler http.Handler   // serves everything below /push/
	Phones  func() []Phone // that have subscribed, in the order in which they are shown
	Ready   func() bool    // phones can be told: somebody said whom push services can write to; nil: they can
	Address func() string  // of this site as phones reach it, such as https://bench.example.com; nil, "": nobody knows
}

// Phone is one that has subscribed.
type Phone struct {
	ID, Person, Device string
	Since              time.Time
	Sent               time.Time // when its push service last took a message
	Arrived            time.Time // when it last reported that one was shown
	Trouble            string    // why the last message was refused
}

// Subscribe is the page on which a phone subscribes.
type Subscribe struct {
	Look
	Phones   []Subscriber
	Address  string // of this page for phones
	Path     string // the modules of the code as an SVG path
	Size     int    // of the code in modules
	Unready  bool   // nobody said whom push services can write to
	Insecure bool   // browsers let nobody subscribe at this address
}

// Subscriber is a phone as it is shown.
type Subscriber struct {
	ID, Person, Device, Since string
	Sent, Arrived             string // times of day, empty: never
	Late                      bool   // what was sent last has not been reported
	Trouble                   string
}

// reportWithin is how long a phone that is on needs to report, at most.
const reportWithin = 30 * time.Second

func subscriberOf(p *Phone, c clock) Subscriber {
	s := Subscriber{ID: p.ID, Person: p.Person, Device: p.Device, Since: c.at(p.Since), Trouble: p.Trouble}
	if !p.Sent.IsZero() {
		s.Sent = c.at(p.Sent)
	}
	if !p.Arrived.IsZero() {
		s.Arrived = c.at(p.Arrived)
	}
	s.Late = p.Arrived.Before(p.Sent) && c.now.Sub(p.Sent) > reportWithin
	return s
}

func (s *Site) pushRoutes(mux *http.ServeMux) {
	if s.o.Push != nil {
		mux.HandleFunc("GET /phone", s.serveSubscribe)
		mux.Handle("/push/", s.o.Push.Handler)
	}
}

// installRoutes let a phone put the pages on its home screen, and keep one for when
// it does not reach the bench.
func (s *Site) installRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /offline", s.serveOffline)
	mux.HandleFunc("GET /manifest.webmanifest", s.serveManifest)
	for _, size := range iconSizes {
		mux.HandleFunc(fmt.Sprintf("GET /icon-%d.png", size), s.serveIcon(size))
	}
}

func (s *Site) serveSubscribe(w http.ResponseWriter, r *http.Request) {
	p := &Subscribe{Look: s.lookOf(r), Insecure: !secureAddress(r)}
	p.Phone, p.Title, p.Sheets, p.Scripts = true, "Alerts on phones · "+p.Bench, []string{"push.css"}, []string{"push.js"}
	p.Unready = s.o.Push.Ready != nil && !s.o.Push.Ready()
	c := clock{s.o.Zone, time.Now()}
	for _, one := range s.o.Push.Phones() {
		p.Phones = append(p.Phones, subscriberOf(&one, c))
	}
	if s.o.Push.Address != nil {
		p.code(s.o.Push.Address())
	}
	if p.Address != "" && p.Path == "" {
		s.o.Logger.Warn("the address of the page fits no code", logkey.Address(p.Address))
	}
	s.serve(w, http.StatusOK, subscribePage(p))
}

// secureAddress reports an address at which browsers let a page subscribe: TLS,
// here or before us, or this computer (W3C Secure Contexts §3.1).
func secureAddress(r *http.Request) bool {
	return r.TLS != nil || strings.EqualFold(r.Header.Get("X-Forwarded-Proto"), "https") || loopbackNames()[hostName(r.Host)]
}

// code draws where the page is as a QR code.
func (p *Subscribe) code(site string) {
	u, err := url.Parse(site)
	if err != nil || u.Scheme != "https" || u.Host == "" {
		return // a phone could open it, but not subscribe there
	}
	p.Address = u.JoinPath("/phone").String()
	q, err := qrcode.New(p.Address, qrcode.Medium)
	if err != nil {
		return
	}
	p.Path, p.Size = pathOf(q.Bitmap())
}

// pathOf writes dark modules, runs of a row in one.
func pathOf(dark [][]bool) (path string, size int) {
	var b strings.Builder
	for y, row := range dark {
		for x := 0; x < len(row); x++ {
			from := x
			for x < len(row) && row[x] {
				x++
			}
			if x > from {
				fmt.Fprintf(&b, "M%d %dh%dv1h-%dz", from, y, x-from, x-from)
			}
		}
	}
	return b.String(), len(dark)
}

// serveManifest lets a phone put the pages on its home screen, which some want
// before they let a page subscribe.
func (s *Site) serveManifest(w http.ResponseWriter, _ *http.Request) {
	type icon struct {
		Src     string `json:"src"`
		Sizes   string `json:"sizes"`
		Type    string `json:"type"`
		Purpose string `json:"purpose"`
	}
	m := struct {
		Name       string `json:"name"`
		Short      string `json:"short_name"`
		ID         string `json:"id"`
		Start      string `json:"start_url"`
		Scope      string `json:"scope"`
		Display    string `json:"display"`
		Background string `json:"background_color"`
		Theme      string `json:"theme_color"`
		Icons      []icon `json:"icons"`
	}{
		Name: "benchvigil " + s.o.Bench, Short: s.o.Bench, ID: "/", Start: "/m", Scope: "/", Display: "standalone",
		Background: "#1c2a33", Theme: "#1c2a33",
	}
	for _, size := range iconSizes[1:] {
		m.Icons = append(m.Icons, icon{fmt.Sprintf("/icon-%d.png", size), fmt.Sprintf("%dx%d", size, size), "image/png", "any maskable"})
	}
	w.Header().Set("Content-Type", "application/manifest+json")
	w.Header().Set("Cache-Control", "no-cache")
	_ = json.NewEncoder(w).Encode(m) // the client has gone
}
