// Package pages shows the fleet to the marina: pages, API and metrics.
package pages

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"muster/internal/api"
	"muster/internal/fleet"
	"muster/internal/fleet/hub"
	"muster/internal/fleet/trust"
	"muster/internal/release"
)

// Options are what a Server shows, and who may see it.
type Options struct {
	Listen          string         // host:port; port 0 takes any free one
	TLSCert, TLSKey string         // PEM files; both empty for plain HTTP
	ClientCA        string         // PEM file of the authority that signs clients' certificates; empty for none
	Proxies         []netip.Prefix // proxies whose X-Forwarded-For and X-Forwarded-Proto are believed
	Token           string         // required to act; empty for none, which needs a loopback address or TLS
	ReadToken       string         // required to read; empty for none
	Fleet           hub.Fleet
	Trust           *trust.Trust           // enrols boats; nil on a hub without keys
	ExternalURL     string                 // where people and boats reach the pages; empty: as each request came
	BoatsURLs       []string               // of the message server for boats; one without a host is on that of the pages
	Sheets          func() *release.Sheets // the release sheets in force; nil, or a nil answer, for none
	Daybook         hub.Daybook            // where the campaigns' counts of each day are kept; nil for nowhere
	Metrics         *prometheus.Registry   // of the program; those of the fleet join it; nil for one of their own
	Version         string
	Log             zerolog.Logger
	Silence         time.Duration    // how long a boat may be silent; default 48 h
	BoatSeries      int              // most boats with metrics of their own; default 500, negative for none
	Now             func() time.Time // default time.Now
	EventEvery      time.Duration    // how often the event stream checks for changes; default 2 s
}

// Server serves the fleet's pages. New binds its address, Serve answers until Stop.
type Server struct {
	opt      Options
	gate     *api.Gate
	http     *http.Server
	door     *api.Door
	turns    *api.Turns
	cache    cache
	stopOnce sync.Once
}

// New binds the address and builds the handler. It starts nothing.
func New(opt Options) (*Server, error) {
	if opt.Fleet == nil {
		return nil, errors.New("pages: no fleet")
	}
	if opt.Sheets == nil {
		opt.Sheets = func() *release.Sheets { return nil }
	}
	if opt.Silence <= 0 {
		opt.Silence = 48 * time.Hour
	}
	if opt.BoatSeries == 0 {
		opt.BoatSeries = 500
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.EventEvery <= 0 {
		opt.EventEvery = 2 * time.Second
	}
	if opt.Metrics == nil {
		opt.Metrics = prometheus.NewRegistry()
	}
	s := &Server{opt: opt, turns: api.NewTurns(256, opt.EventEvery)}
	s.door = api.NewDoor(opt.Token, opt.ReadToken, opt.TLSCert != "", "fleet")
	s.door.Ask(s.loginPage)
	s.door.Entrust(fleet.JoinPath)
	if err := opt.Metrics.Register(collector{s}); err != nil {
		return nil, fmt.Errorf("register the metrics of the fleet: %w", err)
	}
	mux := http.NewServeMux()
	s.addPages(mux)
	s.addAPI(mux)
	mux.Handle("GET /metrics", api.Metrics(opt.Metrics, opt.Log))
	mux.HandleFunc("GET /sd/boats", s.discovery)
	mux.HandleFunc("GET /-/healthy", func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "healthy\n") })
	mux.HandleFunc("GET /-/ready", func(w http.ResponseWriter, _ *http.Request) {
		if err := opt.Fleet.Ready(); err != nil {
			http.Error(w, "not ready: "+err.Error(), http.StatusServiceUnavailable)
			return
		}
		_, _ = io.WriteString(w, "ready\n")
	})
	var err error
	s.door.Behind(opt.Proxies)
	at := api.Address{Listen: opt.Listen, TLSCert: opt.TLSCert, TLSKey: opt.TLSKey, ClientCA: opt.ClientCA}
	if s.gate, err = s.door.Listen(at, opt.Log); err != nil {
		return nil, err
	}
	if err := opt.Metrics.Register(s.gate); err != nil {
		return nil, errors.Join(fmt.Errorf("register the metrics of refusals: %w", err), s.gate.Close())
	}
	s.http = s.gate.HTTP(mux)
	return s, nil
}

// URL is where the pages are.
func (s *Server) URL() string {
	scheme := "http"
	if s.opt.TLSCert != "" {
		scheme = "https"
	}
	return scheme + "://" + s.gate.Addr().String()
}

// Serve answers requests until Stop; it returns nil then. Until ctx ends it keeps the daybook.
func (s *Server) Serve(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	var keeping sync.WaitGroup
	keeping.Go(func() { s.keepDaybook(ctx) })
	defer keeping.Wait()
	defer cancel()
	if err := s.http.Serve(s.gate); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("pages: %w", err)
	}
	return nil
}

// Stop ends the event streams, waits for the other requests as long as ctx allows, and closes what is left.
// It may be called more than once, and without Serve.
func (s *Server) Stop(ctx context.Context) error {
	s.stopOnce.Do(s.turns.Stop)
	err := s.http.Shutdown(ctx)
	if err != nil {
		err = errors.Join(err, s.http.Close())
	}
	_ = s.gate.Close() // Shutdown closes it only after Serve
	return err
}
