package api

import (
	"crypto/tls"
	"fmt"
	"io"
	stdlog "log"
	"net"
	"net/http"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"
)

// Address is where a server listens and how connections are protected. The names of files are empty for plain HTTP, and ClientCA where
// clients need no certificate.
type Address struct{ Listen, TLSCert, TLSKey, ClientCA string }

// Gate is a bound address, with bounds on how many are let through at one time. It is a listener, and a collector of what was refused.
type Gate struct {
	net.Listener
	crowd *crowd
	door  *Door
	cert  shownCert
	log   zerolog.Logger
}

// Listen binds an address. One that other computers can reach needs a token or TLS.
func (d *Door) Listen(at Address, log zerolog.Logger) (*Gate, error) {
	g := &Gate{door: d, log: log}
	tlsConfig, err := g.cert.load(at.TLSCert, at.TLSKey, at.ClientCA)
	if err != nil {
		return nil, err
	}
	l, err := net.Listen("tcp", at.Listen)
	if err != nil {
		return nil, fmt.Errorf("api: listen on %s: %w", at.Listen, err)
	}
	if !loopback(l) && d.open() && tlsConfig == nil {
		_ = l.Close()
		return nil, fmt.Errorf("api: listen on %s: other computers can reach it: set a token or TLS, or listen on 127.0.0.1", at.Listen)
	}
	g.crowd = newCrowd(l, usualBounds)
	d.crowd, d.log = g.crowd, log
	g.Listener = g.crowd
	if tlsConfig != nil {
		g.Listener = tls.NewListener(g.crowd, tlsConfig)
	}
	return g, nil
}

// HTTP makes the server of a handler, with the usual bounds of time.
func (g *Gate) HTTP(handler http.Handler) *http.Server {
	return g.http(handler, 5*time.Second, 15*time.Second)
}

func (g *Gate) http(handler http.Handler, headerWithin, bodyWithin time.Duration) *http.Server {
	return &http.Server{
		Handler:           g.door.Guard(handler),
		ReadHeaderTimeout: headerWithin,
		ReadTimeout:       bodyWithin,
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ConnState:         g.crowd.state,
		ConnContext:       g.crowd.context,
		ErrorLog:          stdlog.New(errorLog{g.log}, "", 0),
	}
}

var refusedDesc = prometheus.NewDesc("muster_http_refused_total",
	"Connections closed and requests refused, because there were too many at one time or the token was wrong.", []string{"reason"}, nil)

// Describe implements prometheus.Collector.
func (g *Gate) Describe(out chan<- *prometheus.Desc) { out <- refusedDesc }

// Collect implements prometheus.Collector.
func (g *Gate) Collect(out chan<- prometheus.Metric) {
	s := Scrape(out)
	s.Counter(refusedDesc, g.crowd.closed.Load(), "connection")
	s.Counter(refusedDesc, g.crowd.refused.Load(), "request")
	s.Counter(refusedDesc, g.door.patience.count(), "token")
}

// errorLog logs the errors of the HTTP server, such as broken connections and handshakes, at debug level: they need
// no action.
type errorLog struct{ log zerolog.Logger }

func (l errorLog) Write(p []byte) (int, error) {
	l.log.Debug().Str("message", strings.TrimSpace(string(p))).Msg("http")
	return len(p), nil
}

var _ io.Writer = errorLog{}
