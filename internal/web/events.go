package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
)

// aliveEvery is how often a quiet stream says that it lives.
const aliveEvery = 15 * time.Second

// stream is one open event stream.
type stream struct {
	w      http.ResponseWriter
	out    *http.ResponseController
	within time.Duration // for one write
	sent   time.Time
}

// send writes to the stream and reports whether the reader is still there.
func (s *stream) send(format string, args ...any) bool {
	_ = s.out.SetWriteDeadline(time.Now().Add(s.within))
	_, err := fmt.Fprintf(s.w, format, args...)
	s.sent = time.Now()
	return err == nil && s.out.Flush() == nil
}

// openStream opens a stream that ends when what its reader showed is no longer a token of this boat.
func (s *Server) openStream(ctx huma.Context, turn func(*stream) bool) {
	r, _ := humago.Unwrap(ctx)
	s.turns.open(ctx, func(out *stream) bool { return s.access.right(r) != nothing && turn(out) })
}

// turns keeps event streams open, not more than so many at a time.
type turns struct {
	streams  chan struct{} // one token for each open event stream
	stopping chan struct{} // closed when event streams must end
	every    time.Duration
	within   time.Duration // for one write
}

// open answers with an event stream that turns until the reader, or the server, goes away.
func (t *turns) open(ctx huma.Context, turn func(*stream) bool) {
	r, w := humago.Unwrap(ctx)
	select {
	case t.streams <- struct{}{}:
		defer func() { <-t.streams }()
	default:
		w.Header().Set("Retry-After", "10")
		refuse(w, r, http.StatusServiceUnavailable, "too many event streams are open: close a page")
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	out := &stream{w: w, out: http.NewResponseController(w), within: t.within}
	if !out.send("retry: 2000\n\n") {
		return
	}
	tick := time.NewTicker(t.every)
	defer tick.Stop()
	for {
		if !turn(out) || time.Since(out.sent) >= aliveEvery && !out.send(": alive\n\n") {
			return
		}
		select {
		case <-tick.C:
		case <-r.Context().Done():
			return
		case <-t.stopping:
			return
		}
	}
}

// addStreams registers the event streams and the messages that they carry.
func (s *Server) addStreams(api huma.API) {
	kind := "text/event-stream"
	text := map[string]*huma.Response{"200": {Description: "Events until the reader goes away.",
		Content: map[string]*huma.MediaType{kind: {Schema: &huma.Schema{Type: "string"}}}}}
	huma.Register(api, huma.Operation{OperationID: "stream-reports", Method: http.MethodGet, Path: prefix + "/events", Tags: []string{"boat"},
		Summary:   "Says when there is a newer report: events named report, whose id and data are its etag",
		Responses: text, Errors: []int{401, 503}},
		func(_ context.Context, in *struct {
			LastID string `header:"Last-Event-ID" maxLength:"64"`
		}) (*huma.StreamResponse, error) {
			last := in.LastID
			return &huma.StreamResponse{Body: func(ctx huma.Context) {
				s.openStream(ctx, func(out *stream) bool {
					etag, err := s.encoded.etag(s.opt.Reports.Report())
					if etag = strings.Trim(etag, `"`); err != nil || etag == last {
						return true
					}
					last = etag
					return out.send("id: %s\nevent: report\ndata: %s\n\n", etag, etag)
				})
			}}, nil
		})
	read(api, "list-messages", "/messages", "The latest messages, decoded, oldest first", "traffic", func(_ context.Context, in *struct {
		Filter
		After uint64 `query:"after" doc:"Only messages with a higher number."`
		Limit int    `query:"limit" minimum:"1" maximum:"1000" default:"100"`
	}) ([]*Message, error) {
		list, _, _ := s.opt.Traffic.Since(in.After, in.Filter, in.Limit)
		return append([]*Message{}, list...), nil
	}, 422)
	huma.Register(api, huma.Operation{OperationID: "stream-messages", Method: http.MethodGet, Path: prefix + "/messages/stream", Tags: []string{"traffic"},
		Summary: "Messages as they come: events named message, whose data is a Message; an event named skipped tells how many were lost to a slow reader",
		Description: "Resumes behind Last-Event-ID as long as the messages are kept. With latest=true only the newest message of each device, " +
			"number and instance is sent at each turn, which is what a page can show of a busy bus.",
		Responses: text, Errors: []int{401, 422, 503}},
		func(_ context.Context, in *struct {
			Filter
			Latest bool   `query:"latest"`
			LastID string `header:"Last-Event-ID" maxLength:"64"`
		}) (*huma.StreamResponse, error) {
			after := s.opt.Traffic.Latest()
			if run, n, ok := strings.Cut(in.LastID, "-"); ok && run == s.run {
				if v, err := strconv.ParseUint(n, 10, 64); err == nil && v <= after {
					after = v
				}
			}
			return &huma.StreamResponse{Body: func(ctx huma.Context) {
				s.openStream(ctx, func(out *stream) bool {
					var list []*Message
					if in.Latest {
						list, after = s.opt.Traffic.Newest(after, in.Filter)
					} else {
						var lost uint64
						list, after, lost = s.opt.Traffic.Since(after, in.Filter, 0)
						if lost > 0 && !out.send("event: skipped\ndata: {\"count\":%d}\n\n", lost) {
							return false
						}
					}
					var b strings.Builder
					for _, m := range list {
						fmt.Fprintf(&b, "id: %s-%d\nevent: message\ndata: %s\n\n", s.run, m.Number, m.text)
					}
					return b.Len() == 0 || out.send("%s", b.String())
				})
			}}, nil
		})
}
