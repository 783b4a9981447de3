package api

import (
	"context"
	"net"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/rs/zerolog"
)

// Listen binds an address. One that other computers can reach needs a token or TLS; certFile and keyFile are empty for plain HTTP.
func Listen(address, certFile, keyFile, token string) (net.Listener, error) {
	tlsConfig, err := new(shownCert).load(certFile, keyFile)
	if err != nil {
		return nil, err
	}
	return listen(address, tlsConfig, token)
}

// NewHTTP makes a server with the usual bounds.
func NewHTTP(handler http.Handler, log zerolog.Logger) *http.Server {
	return newHTTP(handler, 5*time.Second, 15*time.Second, log)
}

// Read registers a reading operation.
func Read[I, T any](api huma.API, id, route, summary, tag string, f func(context.Context, *I) (T, error), errs ...int) {
	read(api, id, route, summary, tag, f, errs...)
}

// Turns keeps event streams open, not more than so many at a time.
type Turns struct{ turns }

// NewTurns makes room for streams; each checks for changes at that interval.
func NewTurns(most int, every time.Duration) *Turns {
	return &Turns{turns{make(chan struct{}, most), make(chan struct{}), every, 10 * time.Second}}
}

// Open answers with an event stream; each turn sends what is new and reports whether the client is still connected.
func (t *Turns) Open(ctx huma.Context, turn func(send func(format string, args ...any) bool) bool) {
	t.open(ctx, func(s *stream) bool { return turn(s.send) })
}

// Stop ends the streams. It is called once.
func (t *Turns) Stop() { close(t.stopping) }
