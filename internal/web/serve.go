package web

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"benchvigil/internal/logkey"
)

// stopWithin is how long a page under way may take to finish when the site
// stops. Streams end at once.
const stopWithin = time.Second

// Serve runs the site on a listener until ctx ends, and closes the listener.
// It returns nil after an orderly end. A Site is served once.
func (s *Site) Serve(ctx context.Context, l net.Listener) error {
	errorLog, err := zap.NewStdLogAt(s.o.Logger, zap.WarnLevel)
	if err != nil {
		return fmt.Errorf("web: %w", err)
	}
	names := namesOf(l.Addr())
	if names == nil {
		if !s.guarded || s.o.TLS == nil || s.o.Names == nil {
			return errors.Join(fmt.Errorf("serve the page on %v: beyond this computer only with TLS and login", l.Addr()), l.Close())
		}
	}
	srv := &http.Server{
		Handler:           s.strict(s.mux(), names),
		TLSConfig:         s.o.TLS,
		ReadHeaderTimeout: 5 * time.Second,
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          errorLog,
	}
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return s.Run(ctx) })
	g.Go(func() error { return s.stop(ctx, srv) })
	g.Go(func() error {
		if err := s.accept(srv, l); !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("serve the page on %v: %w", l.Addr(), err)
		}
		return nil
	})
	return g.Wait()
}

// accept speaks TLS where there is a certificate. Who speaks plain HTTP to it is
// told so by net/http.
func (s *Site) accept(srv *http.Server, l net.Listener) error {
	if s.o.TLS != nil {
		return srv.ServeTLS(l, "", "")
	}
	return srv.Serve(l)
}

// strict is secure under the names that the site has now, and makes browsers
// stay with TLS where it is spoken (RFC 6797).
func (s *Site) strict(next http.Handler, loopback map[string]bool) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		names := maps.Clone(loopback)
		if s.o.Names != nil {
			if names == nil {
				names = loopbackNames()
			}
			maps.Copy(names, s.o.Names())
		}
		if r.TLS != nil {
			w.Header().Set("Strict-Transport-Security", "max-age=31536000")
		}
		secure(next, names).ServeHTTP(w, r)
	})
}

// stop waits for ctx and ends everything: streams first, because the server
// would wait for them.
func (s *Site) stop(ctx context.Context, srv *http.Server) error {
	<-ctx.Done()
	s.live.Close()
	within, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopWithin)
	defer cancel()
	if err := srv.Shutdown(within); err != nil {
		s.o.Logger.Debug("connections of the page were cut", logkey.Err(err))
		return srv.Close()
	}
	return nil
}

// loopbackNames are the names of this computer. Another name in the Host
// header of a request to a loopback address means that some web site had its
// own name point here, to read the page through somebody's browser (DNS
// rebinding).
func loopbackNames() map[string]bool {
	return map[string]bool{"localhost": true, "127.0.0.1": true, "::1": true}
}

// namesOf are the names under which a listener may be asked, nil for any.
func namesOf(a net.Addr) map[string]bool {
	tcp, ok := a.(*net.TCPAddr)
	if ok && !tcp.IP.IsLoopback() {
		return nil
	}
	names := loopbackNames()
	if ok {
		names[tcp.IP.String()] = true
	}
	return names
}

// policy lets the page use what this server has and send forms to it, and
// nobody else put it in a frame.
const policy = "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"

// secure refuses requests that are not meant for this site and tells browsers
// to be strict.
func secure(next http.Handler, names map[string]bool) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		switch {
		case names != nil && !names[hostName(r.Host)]:
			http.Error(w, fmt.Sprintf("This bench does not serve under the name %q. Open it under a name of its certificate, or on its own computer as localhost, with its port.", r.Host), http.StatusMisdirectedRequest)
		case foreign(r):
			http.Error(w, "Pages of other sites may not read this bench.", http.StatusForbidden)
		default:
			next.ServeHTTP(w, r)
		}
	})
}

// foreign reports a request that a page of another site makes, other than by a
// link that somebody followed (Fetch Metadata Request Headers, W3C).
func foreign(r *http.Request) bool {
	return r.Header.Get("Sec-Fetch-Site") == "cross-site" && r.Header.Get("Sec-Fetch-Mode") != "navigate"
}

// hostName is a Host header without port and brackets, in lower case.
func hostName(host string) string {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	return strings.ToLower(strings.Trim(host, "[]"))
}
