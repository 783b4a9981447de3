package api

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

// aliveEvery is how often a quiet stream sends a comment, so that the connection stays open.
const aliveEvery = 15 * time.Second

// stream is one open event stream.
type stream struct {
	w      http.ResponseWriter
	out    *http.ResponseController
	within time.Duration // for one write
	sent   time.Time
}

// send writes to the stream and reports whether the client is still connected.
func (s *stream) send(format string, args ...any) bool {
	_ = s.out.SetWriteDeadline(time.Now().Add(s.within))
	_, err := fmt.Fprintf(s.w, format, args...)
	s.sent = time.Now()
	return err == nil && s.out.Flush() == nil
}

// openStream opens a stream that ends when the token of its client is no longer valid.
func (s *Server) openStream(ctx huma.Context, turn func(*stream) bool) {
	r, _ := humago.Unwrap(ctx)
	s.turns.open(ctx, func(out *stream) bool { return s.door.right(r) != nothing && turn(out) })
}

// turns keeps event streams open, not more than so many at a time.
type turns struct {
	streams  chan struct{} // one token for each open event stream
	stopping chan struct{} // closed when event streams must end
	every    time.Duration
	within   time.Duration // for one write
}

// open answers with an event stream that turns until the client disconnects or the server stops.
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
	text := map[string]*huma.Response{"200": {Description: "Events until the client disconnects.",
		Content: map[string]*huma.MediaType{kind: {Schema: &huma.Schema{Type: "string"}}}}}
	huma.Register(api, huma.Operation{OperationID: "stream-reports", Method: http.MethodGet, Path: Prefix + "/events", Tags: []string{"boat"},
		Summary:   "Event stream: an event named report for each newer report and each change of the job. Its data is the ETag of the report.",
		Responses: text, Errors: []int{401, 503}},
		func(_ context.Context, in *struct {
			LastID string `header:"Last-Event-ID" maxLength:"64"`
		}) (*huma.StreamResponse, error) {
			last := in.LastID
			return &huma.StreamResponse{Body: func(ctx huma.Context) {
				s.openStream(ctx, func(out *stream) bool {
					mark, err := s.Mark(s.opt.Reports.Report())
					if err != nil || mark == last {
						return true
					}
					last = mark
					tag, _, _ := strings.Cut(mark, "-")
					return out.send("id: %s\nevent: report\ndata: %s\n\n", mark, tag)
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
	read(api, "list-sentences", "/sentences", "The latest NMEA 0183 sentences, decoded, oldest first", "traffic", func(_ context.Context, in *struct {
		SentenceFilter
		After uint64 `query:"after" doc:"Only sentences with a higher number."`
		Limit int    `query:"limit" minimum:"1" maximum:"1000" default:"100"`
	}) ([]*TrafficSentence, error) {
		list, _, _ := s.opt.Traffic.Sentences(in.After, in.SentenceFilter, in.Limit)
		return append([]*TrafficSentence{}, list...), nil
	}, 422)
	huma.Register(api, huma.Operation{OperationID: "stream-messages", Method: http.MethodGet, Path: Prefix + "/messages/stream", Tags: []string{"traffic"},
		Summary: "Event stream of live messages",
		Description: "Events named message have a Message as data. An event named skipped has the number of messages lost by a slow client. " +
			"Resumes after Last-Event-ID as long as the messages are kept. With latest=true, each turn sends only the newest message of each device, " +
			"number and instance. A page can then show a bus with a high load. With sentences=true NMEA 0183 sentences are sent too, " +
			"as events named sentence, whose data is a TrafficSentence. With talker or formatter only sentences are sent; with pgn only messages.",
		Responses: text, Errors: []int{401, 422, 503}},
		func(_ context.Context, in *struct {
			Filter
			Talker    string `query:"talker" maxLength:"2"`
			Formatter string `query:"formatter" maxLength:"15"`
			Sentences bool   `query:"sentences"`
			Latest    bool   `query:"latest"`
			LastID    string `header:"Last-Event-ID" maxLength:"64"`
		}) (*huma.StreamResponse, error) {
			t := &trafficStream{Traffic: s.opt.Traffic, run: s.run, latest: in.Latest, filter: in.Filter,
				sentenceFilter: SentenceFilter{in.Network, in.Device, in.Talker, in.Formatter}, messages: in.Talker == "" && in.Formatter == ""}
			t.sentences = in.PGN == 0 && (in.Sentences || !t.messages)
			t.resume(in.LastID)
			return &huma.StreamResponse{Body: func(ctx huma.Context) { s.openStream(ctx, t.turn) }}, nil
		})
}

// trafficStream is the traffic that one client asked for, and how far it is sent.
type trafficStream struct {
	*Traffic
	run                  string // begins the ids of events
	latest               bool   // only the newest of each kind
	messages, sentences  bool
	filter               Filter
	sentenceFilter       SentenceFilter
	after, afterSentence uint64
}

// resume continues after an event of this run, or from now on: "run-7" of messages only, "run-7-3" when the third sentence was sent too.
func (t *trafficStream) resume(id string) {
	t.after, t.afterSentence = t.Latest(), t.LatestSentence()
	run, numbers, _ := strings.Cut(id, "-")
	if run != t.run {
		return
	}
	message, sentence, _ := strings.Cut(numbers, "-")
	behind := func(to *uint64, text string) {
		if v, err := strconv.ParseUint(text, 10, 64); err == nil && v <= *to {
			*to = v
		}
	}
	behind(&t.after, message)
	behind(&t.afterSentence, sentence)
}

// turn sends what came since the last turn.
func (t *trafficStream) turn(out *stream) bool {
	var messages []*Message
	var sentences []*TrafficSentence
	var lost, lostSentences uint64
	at, atSentence := t.after, t.afterSentence // as in the ids of events
	switch {
	case !t.messages:
	case t.latest:
		messages, t.after = t.Newest(t.after, t.filter)
	default:
		messages, t.after, lost = t.Since(t.after, t.filter, 0)
	}
	switch {
	case !t.sentences:
	case t.latest:
		sentences, t.afterSentence = t.NewestSentences(t.afterSentence, t.sentenceFilter)
	default:
		sentences, t.afterSentence, lostSentences = t.Sentences(t.afterSentence, t.sentenceFilter, 0)
	}
	if lost += lostSentences; lost > 0 && !out.send("event: skipped\ndata: {\"count\":%d}\n\n", lost) {
		return false
	}
	var b strings.Builder
	for _, r := range InOrder(messages, sentences) {
		name, text := "message", []byte(nil)
		if r.Message != nil {
			at, text = r.Message.Number, r.Message.text
		} else {
			name, atSentence, text = "sentence", r.Sentence.Number, r.Sentence.text
		}
		fmt.Fprintf(&b, "id: %s-%d", t.run, at)
		if t.sentences {
			fmt.Fprintf(&b, "-%d", atSentence)
		}
		fmt.Fprintf(&b, "\nevent: %s\ndata: %s\n\n", name, text)
	}
	return b.Len() == 0 || out.send("%s", b.String())
}
