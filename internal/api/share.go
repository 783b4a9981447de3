package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
)

// Read registers a reading operation.
func Read[I, T any](api huma.API, id, route, summary, tag string, f func(context.Context, *I) (T, error), errs ...int) {
	read(api, id, route, summary, tag, f, errs...)
}

// Act registers an operation that changes something.
func Act[I, T any](api huma.API, id, route, summary, tag string, f func(context.Context, *I) (T, error), errs ...int) {
	answering(api, huma.Operation{OperationID: id, Method: http.MethodPost, Path: Prefix + route, Summary: summary, Tags: []string{tag},
		Errors: append(errs, 401, 403)}, f)
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
