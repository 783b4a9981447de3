package daemon

import (
	"net/http"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/tap"
	"muster/pgn"
)

// BenchmarkStart measures a start with a store of fifty devices: until the API answers, and until the first report
// with a device received has been made.
func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	now := event.At(time.Now())
	traffic := []event.Event{network(now, "can0", false)}
	for i := range 50 {
		traffic = append(traffic, claim(now, nameA+pgn.NAME(i), uint8(i)))
	}
	var listening, reported time.Duration
	b.ReportAllocs()
	for b.Loop() {
		opt := options("127.0.0.1:0", map[string]tap.Source{"can0": newFake(nil, traffic)}, "can0")
		opt.Config.StateDir, opt.ReportEvery = dir, 0
		heard := make(chan time.Time, 1)
		opt.OnReport = func(_ event.Time, r *report.Report, _ release.Conditions) {
			if len(r.Devices) == 50 {
				select {
				case heard <- time.Now():
				default:
				}
			}
		}
		began := time.Now()
		d, err := New(b.Context(), opt)
		if err != nil {
			b.Fatal(err)
		}
		done := make(chan error, 1)
		go func() { done <- d.Run(b.Context()) }()
		for {
			resp, err := http.Get(d.URL() + "/api/v1/report")
			if err == nil {
				resp.Body.Close()
				break
			}
		}
		listening += time.Since(began)
		reported += (<-heard).Sub(began)
		http.DefaultClient.CloseIdleConnections()
		if err := d.Stop(); err != nil {
			b.Fatal(err)
		}
		if err := <-done; err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(listening.Milliseconds())/float64(b.N), "ms-to-listening")
	b.ReportMetric(float64(reported.Milliseconds())/float64(b.N), "ms-to-report")
}
