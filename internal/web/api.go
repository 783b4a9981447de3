package web

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"

	"muster/internal/boat"
)

// EncodeReport writes the report as the API and `--format json` give it: indented, with a final line end.
func EncodeReport(r *boat.Report) ([]byte, error) {
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	return append(text, '\n'), nil
}

// encoder keeps the text of the latest report, so that many readers cost one encoding.
type encoder struct {
	mu     sync.Mutex
	report *boat.Report
	text   []byte
	etag   string
}

func (e *encoder) encode(r *boat.Report) (text []byte, etag string, err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if r != e.report || e.text == nil {
		if text, err = EncodeReport(r); err != nil {
			return nil, "", err
		}
		sum := sha256.Sum256(text)
		e.report, e.text, e.etag = r, text, `"`+hex.EncodeToString(sum[:12])+`"`
	}
	return e.text, e.etag, nil
}

func (s *Server) report(w http.ResponseWriter, r *http.Request) {
	text, etag, err := s.encoded.encode(s.opt.Reports.Report())
	if err != nil {
		s.opt.Log.Error().Err(err).Msg("encode report")
		http.Error(w, "the report cannot be written", http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("ETag", etag)
	h.Set("Cache-Control", "no-cache")
	if matches(r.Header.Get("If-None-Match"), etag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Type", "application/json")
	_, _ = w.Write(text)
}

// matches reports whether an If-None-Match header names the etag (RFC 9110, 13.1.2: weak comparison).
func matches(header, etag string) bool {
	for tag := range strings.SplitSeq(header, ",") {
		if tag = strings.TrimPrefix(strings.TrimSpace(tag), "W/"); tag == etag || tag == "*" {
			return true
		}
	}
	return false
}

// events is the stream that tells a page when there is a newer report. Its data is the report's etag.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "10")
		http.Error(w, "too many event streams are open", http.StatusServiceUnavailable)
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	out := http.NewResponseController(w)
	send := func(format string, args ...any) bool {
		_ = out.SetWriteDeadline(time.Now().Add(10 * time.Second))
		_, err := fmt.Fprintf(w, format, args...)
		return err == nil && out.Flush() == nil
	}
	if !send("retry: 2000\n\n") {
		return
	}
	const aliveEvery = 15 * time.Second
	tick := time.NewTicker(s.opt.EventEvery)
	defer tick.Stop()
	sent, last := time.Now(), ""
	for {
		_, etag, err := s.encoded.encode(s.opt.Reports.Report())
		switch {
		case err == nil && etag != last:
			if !send("event: report\ndata: %s\n\n", strings.Trim(etag, `"`)) {
				return
			}
			sent, last = time.Now(), etag
		case time.Since(sent) >= aliveEvery:
			if !send(": alive\n\n") {
				return
			}
			sent = time.Now()
		}
		select {
		case <-tick.C:
		case <-r.Context().Done():
			return
		case <-s.stopping:
			return
		}
	}
}
