package web

import (
	"context"
	"net"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/rs/zerolog"
	g "maragu.dev/gomponents"

	"muster/internal/boat"
)

// This file is what the fleet's pages share with a boat's: who may come in, the look, and how streams and documents are served.

// Door lets in whom the tokens allow, and sets the headers that protect the reader.
type Door struct {
	access *access
	page   loginPage
}

// NewDoor makes a door. whose says what the pages are of; page asks a person for the token.
func NewDoor(token, readToken string, tls bool, whose string, page func(w http.ResponseWriter, r *http.Request, status int, wrong string)) *Door {
	return &Door{newAccess(tokens{token, readToken}, tls, whose), page}
}

// Guard stands before a handler.
func (d *Door) Guard(next http.Handler) http.Handler { return d.access.guard(next, d.page) }

// Login takes the token from the form and gives the cookie.
func (d *Door) Login(w http.ResponseWriter, r *http.Request) { d.access.login(w, r, d.page) }

// Logout takes the cookie back.
func (d *Door) Logout(w http.ResponseWriter, r *http.Request) { d.access.logout(w, r) }

// Listen binds an address. Beyond this machine it wants a token or TLS; certFile and keyFile are empty for plain HTTP.
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

// NewTurns makes room for streams; each looks for news every so often.
func NewTurns(most int, every time.Duration) *Turns {
	return &Turns{turns{make(chan struct{}, most), make(chan struct{}), every, 10 * time.Second}}
}

// Open answers with an event stream; each turn sends what is new and reports whether the reader is still there.
func (t *Turns) Open(ctx huma.Context, turn func(send func(format string, args ...any) bool) bool) {
	t.open(ctx, func(s *stream) bool { return turn(s.send) })
}

// Stop ends the streams. It is called once.
func (t *Turns) Stop() { close(t.stopping) }

// ReportNode is the report as the boat's own page shows it, without links and forms, for a page of another server.
func ReportNode(r *boat.Report) g.Node {
	return boatView(r).show(&view{Report: r, Page: "boat", Printed: true})
}
