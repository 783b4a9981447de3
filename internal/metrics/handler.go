package metrics

import (
	"mime"
	"net/http"
	"strconv"
	"strings"

	"github.com/klauspost/compress/gzip"
)

// mostScrapes at one time; one more is refused.
const mostScrapes = 4

// Handler answers scrapes with what the collectors tell, packed and in OpenMetrics for who asks for it. A page that cannot be right is
// an error, 500.
func Handler(collectors ...Collector) http.Handler {
	running := make(chan struct{}, mostScrapes)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		select {
		case running <- struct{}{}:
			defer func() { <-running }()
		default:
			http.Error(w, strconv.Itoa(mostScrapes)+" scrapes are being answered; try again in a moment", http.StatusServiceUnavailable)
			return
		}
		accept := r.Header.Get("Accept")
		open := wanted(accept, "application/openmetrics-text", "1.0.0")
		isOpen := open > 0 && open >= wanted(accept, "text/plain", "")
		text, err := collect(collectors, isOpen)
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		h := w.Header()
		h.Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
		if isOpen {
			h.Set("Content-Type", "application/openmetrics-text; version=1.0.0; charset=utf-8")
		}
		h.Set("Vary", "Accept, Accept-Encoding")
		if wanted(r.Header.Get("Accept-Encoding"), "gzip", "") == 0 {
			_, _ = w.Write(text) // who went away needs no answer
			return
		}
		h.Set("Content-Encoding", "gzip")
		packer, _ := gzip.NewWriterLevel(w, gzip.StatelessCompression) // one of the package's levels; others take 0.8 MB for a moment
		_, _ = packer.Write(text)                                      // in one go, which this level needs to find what repeats
		_ = packer.Close()
	})
}

// wanted is how much an Accept or Accept-Encoding header wants a thing, in that version unless it is "": 0 to 1 (RFC 9110, 12.4.2).
func wanted(header, thing, version string) float64 {
	for clause := range strings.SplitSeq(header, ",") {
		name, params, err := mime.ParseMediaType(clause)
		if err != nil || name != thing || version != "" && params["version"] != version {
			continue
		}
		if q, err := strconv.ParseFloat(params["q"], 64); err == nil {
			return q
		}
		return 1
	}
	return 0
}
