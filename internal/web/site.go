package web

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/access"
	"benchvigil/internal/bench"
)

// What browsers load, made of assets by internal/tools/bundle.
//
//go:embed dist
var assetFiles embed.FS

// DefaultEvery is how often live pages are brought up to date.
const DefaultEvery = 250 * time.Millisecond

// Options say what to show. Snapshots and Logger are needed.
type Options struct {
	Bench     string                  // name of the bench
	Banner    string                  // a line above everything; empty on a real bench
	Notice    func() string           // what everybody at the bench should know now, "" for nothing; nil: there never is any
	Version   string                  // of the program
	Snapshots func() []bench.Snapshot // in the order in which tiles are shown
	Health    func() error            // nil, or nothing wrong: /healthz is 200
	Ready     func() error            // the same for /readyz
	Metrics   http.Handler            // serves /metrics; nil: there is none
	API       http.Handler            // serves everything below /api/; nil: there is none
	// Mark hands a person's mark to a station, false when it is too busy to take
	// it; nil: the pages have no marks. With script they go through API.
	Mark func(station string, m bench.Mark) bool
	// Access finds out who makes a request, and says so by access.With; nil:
	// everybody is at this computer, and may work.
	Access func(http.Handler) http.Handler
	Past   Past                   // what the ledger keeps; nil: there is none
	Push   *Push                  // lets phones subscribe to alerts; nil: they cannot
	TLS    *tls.Config            // nil: plain HTTP, which is for loopback alone
	Names  func() map[string]bool // under which the site may be asked beside those of loopback; nil: none
	Logger *zap.Logger

	// What concerns alerts; nil where the bench keeps none, and then the pages have
	// none of it.
	Alerts    func() []bench.AlertView                                                 // those that are not normal
	Act       func(bench.AlertAct) error                                               // what a person does about one
	Load      func(ctx context.Context, from, to time.Time) (Load, error)              // the measures of alarm load
	Outlets   func() []bench.OutletView                                                // how the ways to people fare
	TestAlert func(ctx context.Context, outlet, by string) ([]bench.OutletView, error) // outlet empty: all

	// States are what the stations are there to show, by their IDs: a page for
	// review has all of them. nil: there is no such page.
	States map[string]string

	Every time.Duration  // how often live pages are brought up to date; 0: DefaultEvery
	Zone  *time.Location // of the times shown; nil: time.Local
}

func (o *Options) validate() error {
	if o.Snapshots == nil || o.Logger == nil {
		return errors.New("web: Snapshots and Logger are needed")
	}
	if o.Every <= 0 {
		o.Every = DefaultEvery
	}
	if o.Access == nil {
		o.Access = atThisComputer
	}
	if o.Zone == nil {
		o.Zone = time.Local
	}
	return nil
}

// Site is the pages of one bench.
type Site struct {
	o       Options
	assets  string // changes with everything that the browser holds of us
	news    news
	live    *hub
	hellos  hellos
	guarded bool // somebody finds out who makes each request
}

// New is the pages of a bench.
func New(o Options) (*Site, error) {
	guarded := o.Access != nil
	if err := o.validate(); err != nil {
		return nil, err
	}
	if len(assetNames()) == 0 {
		o.Logger.Warn(unbuilt)
		o.Banner = strings.TrimSpace(unbuilt + " " + o.Banner)
	}
	tag, err := fingerprint(o.Version)
	if err != nil {
		return nil, fmt.Errorf("web: %w", err)
	}
	return &Site{o: o, assets: tag, live: newHub(), guarded: guarded}, nil
}

// fingerprint stands for the version and everything embedded.
func fingerprint(version string) (string, error) {
	h := sha256.New()
	h.Write([]byte(version))
	err := fs.WalkDir(assetFiles, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(assetFiles, path)
		h.Write(b)
		return err
	})
	if err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)[:8]), nil
}

// Handler serves all pages to this computer: requests under any other name
// than a loopback one are refused. Live pages change only while Run runs.
func (s *Site) Handler() http.Handler { return secure(s.mux(), loopbackNames()) }

func (s *Site) mux() http.Handler { return s.o.Access(s.routes()) }

// atThisComputer is where nobody logs in.
func atThisComputer(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		who := access.Who{Role: access.Work, Local: true}
		next.ServeHTTP(w, r.WithContext(access.With(r.Context(), who)))
	})
}

func (s *Site) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.serveFront)
	mux.HandleFunc("GET /wall", s.serveWall)
	mux.HandleFunc("GET /m", s.serveList)
	mux.HandleFunc("GET /m/{station}", s.serveOne)
	mux.HandleFunc("GET /m/{station}/{what}", s.serveAsk)
	mux.HandleFunc("GET /station/{station}", s.serveDesk)
	mux.HandleFunc("GET /station/{station}/past", s.serveDeskPast)
	mux.HandleFunc("GET /station/{station}/chart.svg", s.serveStill)
	mux.HandleFunc("GET /audit", s.serveAudit)
	mux.HandleFunc("GET /live", s.serveLive)
	mux.HandleFunc("GET /history", s.serveHistory)
	mux.HandleFunc("GET /history.csv", s.serveHistoryTable)
	mux.HandleFunc("GET /history/compare", s.serveCompare)
	mux.Handle("POST /theme", http.NewCrossOriginProtection().Handler(http.HandlerFunc(s.serveTheme)))
	mux.HandleFunc("GET /healthz", s.serveCheck(s.o.Health))
	mux.HandleFunc("GET /readyz", s.serveCheck(s.o.Ready))
	if s.o.Mark != nil {
		mux.Handle("POST /stations/{station}/marks", s.working(s.serveMark(toFront)))
		mux.Handle("POST /m/{station}/marks", s.working(s.serveMark(toPhone)))
		mux.Handle("POST /station/{station}/marks", s.working(s.serveMark(toDesk)))
	}
	if s.o.States != nil {
		mux.HandleFunc("GET /dev/states", s.serveStates)
	}
	s.actsOn(mux)
	for _, name := range assetNames() {
		mux.HandleFunc("GET /"+name, s.serveAsset(name))
	}
	s.pushRoutes(mux)
	s.installRoutes(mux)
	if s.o.API != nil {
		mux.Handle("/api/", s.o.API)
		mux.Handle("GET /openapi.json", s.o.API)
		mux.Handle("GET /openapi.yaml", s.o.API)
	}
	if s.o.Metrics != nil {
		mux.Handle("GET /metrics", s.o.Metrics)
	}
	return mux
}

// assetNames are the files that browsers load, by the names of their pages.
func assetNames() (names []string) {
	files, err := fs.Glob(assetFiles, "dist/*.*")
	if err != nil {
		panic(err) // the pattern is wrong
	}
	for _, file := range files {
		names = append(names, path.Base(file))
	}
	return names
}

// unbuilt is what the pages say where their styles and scripts are missing.
const unbuilt = "This benchvigil was built without the styles and scripts of its pages: build it by make build."

func (s *Site) serveAsset(name string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-cache")
		w.Header().Set("ETag", `"`+s.assets+`"`)
		http.ServeFileFS(w, r, assetFiles, "dist/"+name)
	}
}

// serveCheck answers 200, or 503 and why.
func (s *Site) serveCheck(check func() error) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		w.Header().Set("Cache-Control", "no-store")
		if check != nil {
			if err := check(); err != nil {
				w.WriteHeader(http.StatusServiceUnavailable)
				fmt.Fprintln(w, err) //nolint:errcheck // the client has gone
				return
			}
		}
		fmt.Fprintln(w, "ok") //nolint:errcheck // the client has gone
	}
}
