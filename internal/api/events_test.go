package api

import (
	"bufio"
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"muster/internal/ui/webtest"
)

// follow opens an event stream and gives its next event as "id event data".
func follow(t *testing.T, url, lastID string) (next func() string, end func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	if kind := resp.Header.Get("Content-Type"); resp.StatusCode != 200 || kind != "text/event-stream" {
		t.Fatalf("%s %s", resp.Status, kind)
	}
	lines := bufio.NewScanner(resp.Body)
	return func() string {
		var words []string
		for lines.Scan() {
			key, value, _ := strings.Cut(lines.Text(), ": ")
			switch key {
			case "id", "event", "data":
				words = append(words, value)
			case "":
				if len(words) > 0 {
					return strings.Join(words, " ")
				}
			}
		}
		t.Fatalf("the stream ended: %v", lines.Err())
		return ""
	}, func() { cancel(); resp.Body.Close() }
}

func TestMessageStream(t *testing.T) {
	tr := NewTraffic(8)
	s := serve(t, Options{Reports: webtest.NewReports(webtest.Sample(t)), Traffic: tr, EventEvery: 1})
	url := s.URL() + Prefix + "/messages/stream"
	payload := []byte{0, 1, 0, 0, 0, 0, 0, 0xFF}
	webtest.Note(tr, 128267, payload) // before the stream opens: not sent
	next, end := follow(t, url, "")
	until := func(want string) {
		t.Helper()
		if got := next(); !strings.HasPrefix(got, want) {
			t.Fatalf("got %.80q, want %q", got, want)
		}
	}
	webtest.Note(tr, 130306, payload)
	until(s.run + "-2 message ")
	end()
	webtest.Note(tr, 128267, payload)
	webtest.Note(tr, 130306, payload)

	next, end = follow(t, url, s.run+"-2")
	until(s.run + "-3 message ")
	until(s.run + "-4 message ")
	end()
	next, end = follow(t, url+"?pgn=130306", s.run+"-1")
	until(s.run + "-2 message ")
	until(s.run + "-4 message ")
	end()
	for range 20 {
		webtest.Note(tr, 128267, payload)
	}
	next, end = follow(t, url, s.run+"-4") // what is no longer kept is reported, not passed over
	until(`skipped {"count":12}`)
	until(s.run + "-17 message ")
	end()
	for _, id := range []string{"", "other-3", s.run + "-999", s.run + "-x"} { // ids of another run, or made up: from now on
		next, end = follow(t, url, id)
		webtest.Note(tr, 130306, payload)
		until(fmt.Sprintf("%s-%d message ", s.run, tr.Latest()))
		end()
	}
}

func TestReportStreamResumes(t *testing.T) {
	f := webtest.NewReports(webtest.Sample(t))
	s := serve(t, Options{Reports: f, EventEvery: 1})
	next, end := follow(t, s.URL()+Prefix+"/events", "")
	id, _, _ := strings.Cut(next(), " ")
	end()
	next, end = follow(t, s.URL()+Prefix+"/events", id)
	defer end()
	newer := webtest.Sample(t)
	newer.Boat.Name = "Merlin"
	f.Set(newer)
	if got := next(); strings.HasPrefix(got, id) {
		t.Errorf("what was already known came again: %s", got)
	}
}
