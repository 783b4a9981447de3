package web

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"muster/internal/boat"
	"muster/internal/release"
	"muster/internal/transport"
	"muster/pgn"
)

// crowded is a boat with about sixty devices, ten messages each.
func crowded(t testing.TB) *boat.Report {
	r := aboard(t)
	var devices []boat.Device
	for i := range 60 {
		d := r.Devices[i%len(r.Devices)]
		d.ID = fmt.Sprintf("%s%02d", d.ID[:min(len(d.ID), 14)], i)
		for _, n := range []uint32{127250, 127251, 127257, 128259, 128267, 129025, 129026, 130306, 130310, 130311} {
			d.Transmits = append(slices.Clip(d.Transmits), boat.Transmit{PGN: n, Title: pgn.Lookup(n).Title, Count: 12345, Nominal: 100,
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
	traffic := NewTraffic(0)
	for i := range trafficRows {
		traffic.Note(&transport.Message{Time: r.TakenAt, ID: pgn.MakeID(2, 127250, uint8(i), pgn.Global), Data: []byte{1, 0x10, 0x20, 0, 0, 0, 0, 0xFD}},
			&boat.Sender{ID: r.Devices[i].ID, Network: r.Devices[i].Network})
	}
	s := serve(b, Options{Reports: &fakeReports{report: r}, Traffic: traffic, Desk: &orderDesk{work: Work{Order: order}}, Plans: plans(b, example(b))})
	s.history.observe(r)
	kept, err := s.takeSnapshot()
	if err != nil {
		b.Fatal(err)
	}
	for _, page := range []struct{ name, path string }{
		{"boat", "/"}, {"device", "/devices/" + r.Devices[0].ID}, {"talker", "/devices/" + url.PathEscape(r.Talkers[1].ID())}, {"network", "/network"},
		{"work", "/work"}, {"proof", "/proof"}, {"comparison", "/proof?before=" + kept.ID + "&after=" + kept.ID}, {"traffic", "/traffic"},
		{"silences", "/silences"}, {"editor", editorPath}, {"login", "/login"}, {"failed", "/nothing"},
	} {
		b.Run(page.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				s.shown.clear()
				answer := httptest.NewRecorder()
				s.http.Handler.ServeHTTP(answer, httptest.NewRequest(http.MethodGet, s.URL()+page.path, nil))
				if answer.Code != http.StatusOK && answer.Code != http.StatusNotFound {
					b.Fatalf("%s: %d", page.path, answer.Code)
				}
			}
		})
	}
	b.Run("alone", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if err := WriteHTML(httptest.NewRecorder(), r, "v1"); err != nil {
				b.Fatal(err)
			}
		}
	})
}
