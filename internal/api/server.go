package api

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"muster/internal/backbone"
	"muster/internal/check"
	"muster/internal/job"
	"muster/internal/locate"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/trend"
)

// Reports is the source of reports.
type Reports interface {
	// Report returns the latest report, the same pointer until a newer one is made. It is shared and never changed.
	Report() *report.Report
	// Ready is nil when the sources are read and a report can be given, otherwise it is what is missing.
	Ready() error
}

// Options are what a Server shows, and who may see it.
type Options struct {
	Listen            string         // host:port; port 0 takes any free one
	TLSCert, TLSKey   string         // PEM files; both empty for plain HTTP
	ClientCA          string         // PEM file of the authority that signs clients' certificates; empty for none, so that clients need none
	Proxies           []netip.Prefix // proxies whose X-Forwarded-For and X-Forwarded-Proto are believed
	Token             string         // required to act; empty for none, which needs a loopback address or TLS
	ReadToken         string         // required to read; empty for none
	Reports           Reports
	Desk              Desk                                  // nil for a server that only shows
	Conditions        func() Conditions                     // by recent traffic; called from anywhere; nil when unknown
	Sheets            func() *release.Sheets                // release sheets, nil when there are none; called from anywhere
	Job               func() *job.Job                       // header of service records (the shop), or nil; called from anywhere
	Checks            func() *check.Settings                // thresholds in force, nil for the shipped ones; called from anywhere
	Plans             func() []*backbone.Plan               // layouts of backbones, may be none; called from anywhere
	Traffic           *Traffic                              // nil for one that stays empty
	Trends            *trend.Trends                         // nil for none
	SnapshotDir       string                                // folder of snapshots, made when missing; empty keeps a few in memory
	Metrics           *prometheus.Registry                  // of the program; those of the latest report join it; nil: a new one
	Taken             func(*snapshot.Snapshot)              // called with each snapshot taken on a page or by the API; or nil
	Printed           func(name, media string, data []byte) // called with each service record printed as PDF; may be nil
	Version           string
	Log               zerolog.Logger
	EventEvery        time.Duration // how often the event stream checks for a new report; default 1 s
	MaxEventListeners int           // event streams at one time; default 256

	headerWithin time.Duration // for a request's header, and for a handshake; default 5 s
	bodyWithin   time.Duration // for a whole request; default 15 s
	slowestRead  time.Duration // a client of a stream that takes longer for one write is disconnected; default 10 s
}

// Server serves the pages, the API and the metrics. New binds its address, Serve answers until Stop.
type Server struct {
	opt      Options
	gate     *Gate
	http     *http.Server
	encoded  encoder
	door     *Door
	mux      *http.ServeMux
	history  history
	shelf    *shelf
	run      string // distinguishes message numbers of one run from those of another
	turns    turns
	faults   faults
	stopOnce sync.Once
}

// New binds the address and builds the handler. It starts nothing.
func New(opt Options) (*Server, error) {
	if opt.Reports == nil {
		return nil, errors.New("api: no source of reports")
	}
	if opt.EventEvery <= 0 {
		opt.EventEvery = time.Second
	}
	if opt.MaxEventListeners <= 0 {
		opt.MaxEventListeners = 256
	}
	opt.headerWithin = cmp.Or(opt.headerWithin, 5*time.Second)
	opt.bodyWithin = cmp.Or(opt.bodyWithin, 15*time.Second)
	opt.slowestRead = cmp.Or(opt.slowestRead, 10*time.Second)
	if opt.Desk == nil {
		opt.Desk = NoDesk{}
	}
	if opt.Conditions == nil {
		opt.Conditions = func() Conditions { return Conditions{} }
	}
	if opt.Sheets == nil {
		opt.Sheets = func() *release.Sheets { return nil }
	}
	if opt.Job == nil {
		opt.Job = func() *job.Job { return nil }
	}
	if opt.Checks == nil {
		shipped := check.DefaultSettings()
		opt.Checks = func() *check.Settings { return &shipped }
	}
	if opt.Plans == nil {
		opt.Plans = func() []*backbone.Plan { return nil }
	}
	if opt.Traffic == nil {
		opt.Traffic = NewTraffic(1)
	}
	opt.Traffic.units = opt.Reports.Report
	if opt.Metrics == nil {
		opt.Metrics = prometheus.NewRegistry()
	}
	if err := opt.Metrics.Register(newReportCollector(opt.Reports, opt.Version)); err != nil {
		return nil, fmt.Errorf("api: register the metrics of the report: %w", err)
	}
	s := &Server{opt: opt, run: rand.Text()[:8], door: NewDoor(opt.Token, opt.ReadToken, opt.TLSCert != "", "boat"), mux: http.NewServeMux()}
	s.faults.compute = locate.Locate
	s.turns = turns{make(chan struct{}, opt.MaxEventListeners), make(chan struct{}), opt.EventEvery, opt.slowestRead}
	var skipped, err error
	if s.shelf, skipped, err = openShelf(opt.SnapshotDir); err != nil {
		return nil, err
	}
	if skipped != nil {
		opt.Log.Warn().Err(skipped).Msg("snapshot files skipped")
	}
	s.door.Behind(opt.Proxies)
	if s.gate, err = s.door.Listen(Address{opt.Listen, opt.TLSCert, opt.TLSKey, opt.ClientCA}, opt.Log); err != nil {
		return nil, err
	}
	if err := opt.Metrics.Register(s.gate); err != nil {
		return nil, errors.Join(fmt.Errorf("api: register the metrics of refusals: %w", err), s.gate.Close())
	}
	s.door.Take(Prefix+"/job/pictures", PictureLimit)
	s.addRoutes()
	s.http = s.gate.http(s.mux, opt.headerWithin, opt.bodyWithin)
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

// Serve answers requests until Stop; it returns nil then.
func (s *Server) Serve() error {
	if err := s.http.Serve(s.gate); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("api: %w", err)
	}
	return nil
}

// Stop ends the event streams, waits for the other requests as long as ctx allows, and closes what is left.
// It may be called more than once, and without Serve.
func (s *Server) Stop(ctx context.Context) error {
	s.stopOnce.Do(func() { close(s.turns.stopping) })
	err := s.http.Shutdown(ctx)
	if err != nil {
		err = errors.Join(err, s.http.Close())
	}
	_ = s.gate.Close() // Shutdown closes it only after Serve
	return err
}

// Observe adds a report to the history. It is called with each report.
func (s *Server) Observe(r *report.Report) { s.history.observe(r) }

// Minutes are the last hours of a network, oldest first.
func (s *Server) Minutes(network string) []Minute { return s.history.of(network) }

// Mark identifies a report and the state of the job beside it, as the ids of the event stream do.
func (s *Server) Mark(r *report.Report) (string, error) {
	tag, err := s.encoded.etag(r)
	mark := strings.Trim(tag, `"`)
	if j := s.opt.Desk.Job(); j != nil && j.SHA256 != "" {
		mark += "-" + j.SHA256[:min(8, len(j.SHA256))]
	}
	return mark, err
}

// Options are the options of the server with the defaults filled in.
func (s *Server) Options() Options { return s.opt }

// Door decides who may do what.
func (s *Server) Door() *Door { return s.door }

// Mux is where pages are added to the API, before Serve.
func (s *Server) Mux() *http.ServeMux { return s.mux }

func (s *Server) addRoutes() {
	s.addAPI(s.mux)
	s.mux.Handle("GET /metrics", Metrics(s.opt.Metrics, s.opt.Log))
	s.mux.HandleFunc("GET /-/healthy", func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "healthy\n") })
	s.mux.HandleFunc("GET /-/ready", s.ready)
}

func (s *Server) ready(w http.ResponseWriter, _ *http.Request) {
	if err := s.opt.Reports.Ready(); err != nil {
		http.Error(w, "not ready: "+err.Error(), http.StatusServiceUnavailable)
		return
	}
	_, _ = io.WriteString(w, "ready\n")
}
