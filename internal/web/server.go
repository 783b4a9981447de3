package web

import (
	"context"
	"crypto/subtle"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	stdlog "log"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"muster/internal/boat"
)

// Reports is where the pages take what they show.
type Reports interface {
	// Report returns the latest report, the same pointer until a newer one is made. It is shared: nobody changes it.
	Report() *boat.Report
	// Ready is nil when the sources are read and a report can be given, otherwise it says what is missing.
	Ready() error
}

// Options says what a Server shows and to whom.
type Options struct {
	Listen            string // host:port; port 0 takes any free one
	TLSCert, TLSKey   string // PEM files; both empty for plain HTTP
	Token             string // every request must show it; empty for none, which only a loopback address may have
	Reports           Reports
	Registry          *prometheus.Registry // nil for one of its own
	Version           string
	Log               zerolog.Logger
	EventEvery        time.Duration // how often the event stream looks for a new report; default 1 s
	MaxEventListeners int           // event streams at one time; default 64
}

// Server serves the pages, the API and the metrics. New binds its address, Serve answers until Stop.
type Server struct {
	opt      Options
	listener net.Listener
	http     *http.Server
	pages    *pages
	encoded  encoder
	streams  chan struct{} // one token for each open event stream
	stopping chan struct{} // closed when event streams must end
	stopOnce sync.Once
}

// New binds the address and builds the handler. It starts nothing.
func New(opt Options) (*Server, error) {
	if opt.Reports == nil {
		return nil, errors.New("web: no source of reports")
	}
	if opt.Registry == nil {
		opt.Registry = prometheus.NewRegistry()
	}
	if opt.EventEvery <= 0 {
		opt.EventEvery = time.Second
	}
	if opt.MaxEventListeners <= 0 {
		opt.MaxEventListeners = 64
	}
	s := &Server{opt: opt, streams: make(chan struct{}, opt.MaxEventListeners), stopping: make(chan struct{})}
	var err error
	if s.pages, err = loadPages(); err != nil {
		return nil, err
	}
	if err := opt.Registry.Register(newReportCollector(opt.Reports, opt.Version)); err != nil {
		return nil, fmt.Errorf("web: metrics: %w", err)
	}
	var tlsConfig *tls.Config
	if opt.TLSCert != "" {
		cert, err := tls.LoadX509KeyPair(opt.TLSCert, opt.TLSKey)
		if err != nil {
			return nil, fmt.Errorf("web: tls: %w", err)
		}
		tlsConfig = &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}
	}
	listener, err := net.Listen("tcp", opt.Listen)
	if err != nil {
		return nil, fmt.Errorf("web: listen on %s: %w", opt.Listen, err)
	}
	if addr, ok := listener.Addr().(*net.TCPAddr); ok && !addr.IP.IsLoopback() && opt.Token == "" && tlsConfig == nil {
		_ = listener.Close()
		return nil, fmt.Errorf("web: listen on %s: other machines can reach it, which needs a token or TLS", opt.Listen)
	}
	if tlsConfig != nil {
		listener = tls.NewListener(listener, tlsConfig)
	}
	s.listener = listener
	s.http = &http.Server{
		Handler:           s.guard(s.routes()),
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second,
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          stdlog.New(errorLog{opt.Log}, "", 0),
	}
	return s, nil
}

// errorLog takes what the HTTP server complains about: broken connections and handshakes, which nobody must act on.
type errorLog struct{ log zerolog.Logger }

func (l errorLog) Write(p []byte) (int, error) {
	l.log.Debug().Str("message", strings.TrimSpace(string(p))).Msg("http")
	return len(p), nil
}

var _ io.Writer = errorLog{}

// URL is where the pages are.
func (s *Server) URL() string {
	scheme := "http"
	if s.opt.TLSCert != "" {
		scheme = "https"
	}
	return scheme + "://" + s.listener.Addr().String()
}

// Serve answers requests until Stop; it returns nil then.
func (s *Server) Serve() error {
	if err := s.http.Serve(s.listener); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("web: %w", err)
	}
	return nil
}

// Stop ends the event streams, waits for the other requests as long as ctx allows, and closes what is left.
// It may be called more than once, and without Serve.
func (s *Server) Stop(ctx context.Context) error {
	s.stopOnce.Do(func() { close(s.stopping) })
	err := s.http.Shutdown(ctx)
	if err != nil {
		err = errors.Join(err, s.http.Close())
	}
	_ = s.listener.Close() // Shutdown closes it only after Serve
	return err
}

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.boatPage)
	mux.HandleFunc("GET /fragments/boat", s.boatFragment)
	mux.Handle("GET /static/", http.StripPrefix("/static/", s.pages.static()))
	mux.HandleFunc("GET /api/v1/report", s.report)
	mux.HandleFunc("GET /api/v1/events", s.events)
	mux.Handle("GET /metrics", metricsHandler(s.opt.Registry))
	mux.HandleFunc("GET /-/healthy", func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "healthy\n") })
	mux.HandleFunc("GET /-/ready", s.ready)
	return mux
}

func (s *Server) ready(w http.ResponseWriter, _ *http.Request) {
	if err := s.opt.Reports.Ready(); err != nil {
		http.Error(w, "not ready: "+err.Error(), http.StatusServiceUnavailable)
		return
	}
	_, _ = io.WriteString(w, "ready\n")
}

const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// guard sets the headers that protect the reader, and lets in whom the options allow.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if r.URL.Path == "/-/healthy" {
			next.ServeHTTP(w, r)
			return
		}
		if s.opt.Token != "" {
			if !hasToken(r, s.opt.Token) {
				h.Set("WWW-Authenticate", `Basic realm="muster", charset="UTF-8"`)
				http.Error(w, "this boat asks for its token: send it as bearer token, or as password with any user name", http.StatusUnauthorized)
				return
			}
		} else if !localHost(r.Host) && s.opt.TLSCert == "" {
			// A page of another site must not reach a loopback server by a name of its own.
			http.Error(w, "ask for this server by localhost or its address", http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

func hasToken(r *http.Request, token string) bool {
	given, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok {
		_, given, ok = r.BasicAuth()
	}
	return ok && subtle.ConstantTimeCompare([]byte(given), []byte(token)) == 1
}

// localHost reports whether a Host header names this machine itself.
func localHost(host string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
