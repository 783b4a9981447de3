package pages

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/rs/zerolog"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/transport"
	"muster/internal/ui"
	"muster/internal/ui/webtest"
	"muster/pgn"
)

// crowded is a boat with about sixty devices, ten messages each.
func crowded(t testing.TB) *report.Report {
	r := aboard(t)
	var devices []report.Device
	for i := range 60 {
		d := r.Devices[i%len(r.Devices)]
		d.ID = fmt.Sprintf("%s%02d", d.ID[:min(len(d.ID), 14)], i)
		for _, n := range []uint32{127250, 127251, 127257, 128259, 128267, 129025, 129026, 130306, 130310, 130311} {
			d.Transmits = append(slices.Clip(d.Transmits), report.Transmit{PGN: n, Title: pgn.Lookup(n).Title, Count: 12345, Nominal: 100,
				Interval: &boat.Interval{Mean: 101, Min: 80, Max: 140, SD: 9}})
		}
		devices = append(devices, d)
	}
	r.Devices = devices
	return r
}

// BenchmarkPages writes every page as the first reader of a report gets it.
func BenchmarkPages(b *testing.B) {
	r := crowded(b)
	order, _ := release.Plan(r, "sha256:"+strings.Repeat("0", 64), "", sheets(b), release.Options{})
	traffic := api.NewTraffic(0)
	for i := range trafficRows {
		traffic.Note(&transport.Message{Time: r.TakenAt, ID: pgn.MakeID(2, 127250, uint8(i), pgn.Global), Data: []byte{1, 0x10, 0x20, 0, 0, 0, 0, 0xFD}},
			&boat.Sender{ID: r.Devices[i].ID, Network: r.Devices[i].Network})
	}
	boat, err := api.New(api.Options{Listen: "127.0.0.1:0", Log: zerolog.Nop(), Reports: webtest.NewReports(r), Traffic: traffic, Desk: &orderDesk{work: api.Work{Order: order}}, Plans: plans(b, example(b))})
	if err != nil {
		b.Fatal(err)
	}
	defer boat.Stop(b.Context())
	s, handler := newSite(boat), boat.Door().Guard(boat.Mux())
	boat.Observe(r)
	kept, err := boat.TakeSnapshot()
	if err != nil {
		b.Fatal(err)
	}
	for _, page := range []struct{ name, path string }{
		{"boat", "/"}, {"device", "/devices/" + r.Devices[0].ID}, {"talker", "/devices/" + url.PathEscape(r.Talkers[1].ID())}, {"network", "/network"},
		{"work", "/work"}, {"snapshots", "/snapshots"}, {"comparison", "/snapshots?before=" + kept.ID + "&after=" + kept.ID}, {"traffic", "/traffic"},
		{"silences", "/silences"}, {"editor", editorPath}, {"login", "/login"}, {"failed", "/nothing"},
	} {
		b.Run(page.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				s.shown.clear()
				answer := httptest.NewRecorder()
				handler.ServeHTTP(answer, httptest.NewRequest(http.MethodGet, boat.URL()+page.path, nil))
				if answer.Code != http.StatusOK && answer.Code != http.StatusNotFound {
					b.Fatalf("%s: %d", page.path, answer.Code)
				}
			}
		})
	}
	b.Run("alone", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if err := ui.WriteHTML(httptest.NewRecorder(), r, "v1"); err != nil {
				b.Fatal(err)
			}
		}
	})
}
