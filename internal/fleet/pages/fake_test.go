package pages

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/fleet"
	"muster/internal/fleet/hub"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/ui/webtest"
)

var noon = time.Date(2026, 6, 10, 12, 0, 0, 0, time.UTC)

// fakeFleet holds invented boats.
type fakeFleet struct {
	boats   []*hub.Boat
	reports map[uint64]*report.Report
	past    []hub.Past
	refused []hub.Refusal
	ready   error
}

func (f *fakeFleet) Boats() []*hub.Boat       { return f.boats }
func (f *fakeFleet) Revision() uint64         { return 7 }
func (f *fakeFleet) Changed() <-chan struct{} { return nil }
func (f *fakeFleet) Ready() error             { return f.ready }
func (f *fakeFleet) Stats() hub.Stats {
	return hub.Stats{Messages: map[fleet.Kind]uint64{fleet.KindReport: 12}, Refused: 2, Pending: 3, Connected: true}
}

func (f *fakeFleet) Boat(id string) *hub.Boat {
	for _, b := range f.boats {
		if b.ID == id {
			return b
		}
	}
	return nil
}

func (f *fakeFleet) Unit(id, unit string) *hub.Unit {
	b := f.Boat(id)
	if b == nil {
		return nil
	}
	for _, list := range [][]hub.Device{b.Devices, b.Left} {
		for i := range list {
			if d := &list[i]; d.ID == unit {
				return &hub.Unit{Boat: id, Name: b.Name, Device: d, Away: b.Away(d), Stays: []hub.Stay{
					{Boat: id, Name: b.Name, Since: d.Since, Until: d.Until, Earlier: d.Earlier},
					{Boat: "dunlin", Name: "Dunlin", Since: noon.AddDate(-1, 0, 0), Until: noon.AddDate(0, -4, 0), Earlier: []hub.Ran{{Version: "4.40", Until: noon.AddDate(0, -8, 0)}}}}}
			}
		}
	}
	return nil
}

func (f *fakeFleet) Search(q hub.Query) ([]hub.Hit, error) {
	var out, apart, away []hub.Hit
	for _, b := range f.boats {
		for i := range len(b.Devices) + len(b.Left) {
			d := &slices.Concat(b.Devices, b.Left)[i]
			if !strings.Contains(strings.ToLower(d.Model+d.Software+d.Serial+b.ID), strings.ToLower(q.Text+q.Model)) {
				continue
			}
			h := hub.Hit{Boat: b.ID, Name: b.Name, Device: d, Away: b.Away(d)}
			if h.Away != "" {
				away = append(away, h)
				continue
			}
			if q.Below != "" && d.Model == "Sanderling Tavrik 7 monitor" {
				h.Unknown = "no sheet describes it"
				apart = append(apart, h)
				continue
			}
			out = append(out, h)
		}
	}
	return append(append(out, apart...), away...), nil
}

func (f *fakeFleet) Report(_ context.Context, id string, n uint64) (*report.Report, error) {
	b := f.Boat(id)
	if b == nil || b.Report == 0 {
		return nil, fmt.Errorf("report of boat %q: %w", id, hub.ErrNotFound)
	}
	if n == 0 {
		n = b.Report
	}
	if r := f.reports[n]; r != nil {
		return r, nil
	}
	return nil, fmt.Errorf("message %d of boat %q: %w", n, id, hub.ErrNotFound)
}

func (f *fakeFleet) Document(_ context.Context, id string, n uint64) (*fleet.Envelope, fleet.Kind, error) {
	if n != 3 {
		return nil, "", fmt.Errorf("message %d of boat %q: %w", n, id, hub.ErrNotFound)
	}
	text, err := json.Marshal(fleet.Document{Name: "../../x\"y.html", Media: "text/html", Data: []byte("<p>record</p>")})
	return &fleet.Envelope{Body: text}, fleet.KindRecord, err
}

func (f *fakeFleet) History(context.Context, string, int) ([]hub.Past, error) { return f.past, nil }
func (f *fakeFleet) Refusals(context.Context, int) ([]hub.Refusal, error)     { return f.refused, nil }

// fakeBook is a daybook in memory.
type fakeBook map[string]map[string]hub.Counts

func (b fakeBook) Put(_ context.Context, day string, c map[string]hub.Counts) error {
	b[day] = c
	return nil
}

func (b fakeBook) Days(context.Context) ([]hub.Day, error) {
	var out []hub.Day
	for _, d := range slices.Sorted(maps.Keys(b)) {
		out = append(out, hub.Day{Day: d, Campaigns: b[d]})
	}
	return out, nil
}

func number[T any](v T) *T { return &v }

func head(id, serial, software string) hub.Device {
	return hub.Device{ID: id, Network: "can0", Role: "display", Manufacturer: "Larkfin Marine", ManufacturerCode: number(uint32(2001)), Model: "Larkfin LF9 display",
		Serial: serial, Software: software, State: boat.Present}
}

// fakeBoats are five boats, one of each verdict, with text that tries to be markup.
func fakeBoats(t testing.TB) *fakeFleet {
	t.Helper()
	sample := func() *report.Report {
		r := webtest.Sample(t)
		r.Boat = boat.Identity{ID: "wagtail", Name: "Wagtail"}
		return r
	}
	earlier, later := sample(), sample()
	for i := range later.Devices {
		if p := later.Devices[i].Product; p != nil && p.Software != "" {
			p.Software += ".1"
			break
		}
	}
	webtest.FindUnits(later)
	later.TakenAt = event.At(noon.Add(-time.Hour))
	ago := func(d time.Duration) time.Time { return noon.Add(-d) }
	alert := func(check string, s check.Severity, text string) hub.Alert {
		return hub.Alert{ID: check + " 1", Check: check, Severity: s, State: "open", Since: ago(5 * time.Hour), Summary: text, Remedy: "See that it has power."}
	}
	meter := hub.Device{ID: "c0fa1e0000000003", Network: "can0", Role: "power", Manufacturer: "Sanderling Power", ManufacturerCode: number(uint32(2003)),
		Model: "Sanderling Tavrik 7 monitor", Serial: "BM-7", Software: "R2a", State: boat.Present}
	left := head("c0fa1e0000000007", "LF9-7", "4.47")
	left.State, left.Since, left.Until = boat.Gone, ago(200*24*time.Hour), ago(100*24*time.Hour)
	return &fakeFleet{
		boats: []*hub.Boat{
			{ID: "dunlin", Name: "Dunlin", LastHeard: ago(70 * time.Hour), Devices: []hub.Device{head("c0fa1e0000000001", "LF9-2", "4.52"), meter}},
			{ID: "knot", Enrolled: ago(time.Hour)},
			{ID: "plover", Name: "Plover", LastHeard: ago(time.Hour), Turns: 4, Devices: []hub.Device{head("c0fa1e0000000001", "LF9-3", "4.47")},
				Boards: []hub.Board{{ID: "b2", Seq: 9, Last: ago(time.Hour)}, {ID: "b1", Seq: 4, Last: ago(2 * time.Hour)}},
				Alerts: []hub.Alert{alert("software-differs", check.Warning, "Two displays run different software.")}, Metrics: "https://plover.example:8632/muster/metrics"},
			{ID: "redshank", Name: "Redshank <b>", LastHeard: ago(time.Minute), Left: []hub.Device{left}, Devices: []hub.Device{head("c0fa1e0000000001", "LF9-4", "4.52")}},
			{ID: "wagtail", Name: "Wagtail", LastHeard: ago(10 * time.Minute), Report: 2, Clock: boat.ClockSystem, MadeAt: ago(10 * time.Minute), Version: "v1.0.0",
				Devices: []hub.Device{head("c0fa1e0000000001", "LF9-1", "4.40"), head("c0fa1e0000000002", "LF9-9", "4.47"), meter}, Refused: 1,
				Alerts:  []hub.Alert{alert("silent", check.Critical, "Gannet SD2 sounder has fallen silent."), alert("software-differs", check.Warning, "Two displays run different software.")},
				Metrics: "http://192.0.2.7:8632/metrics", Boards: []hub.Board{{ID: "b1", Seq: 12, Last: ago(10 * time.Minute)}}},
		},
		reports: map[uint64]*report.Report{1: earlier, 2: later},
		past: []hub.Past{{Stream: 3, Received: ago(9 * time.Minute), Kind: "record", Bytes: 1200}, {Stream: 2, Received: ago(10 * time.Minute), Kind: "report", Bytes: 900},
			{Stream: 1, Received: ago(26 * time.Hour), Kind: "report", Bytes: 890}},
		refused: []hub.Refusal{{Boat: "wagtail", Subject: "muster.v1.boat.wagtail.report", At: ago(3 * time.Hour), Reason: "schema \"<i>\" is not known", Bytes: 77}},
	}
}

func sheets(t testing.TB) *release.Sheets {
	t.Helper()
	s, err := release.LoadFS(t.Context(), os.DirFS("../../../deploy/sheets"), "sheets")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// serve starts a server on a free port and stops it when the test ends.
func serve(t testing.TB, f hub.Fleet, edit func(*Options)) *Server {
	t.Helper()
	known := sheets(t)
	opt := Options{Listen: "127.0.0.1:0", Fleet: f, Sheets: func() *release.Sheets { return known }, Version: "v0.0.0-test", Log: zerolog.Nop(),
		Now: func() time.Time { return noon }, Daybook: fakeBook{
			"2026-06-07": {"LF9 display": {Behind: 5}}, "2026-06-08": {"LF9 display": {Behind: 4, Current: 1}}, "2026-06-09": {"LF9 display": {Behind: 4, Current: 1}}}}
	if edit != nil {
		edit(&opt)
	}
	s, err := New(opt)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- s.Serve(context.Background()) }()
	t.Cleanup(func() {
		if err := s.Stop(context.Background()); err != nil {
			t.Error(err)
		}
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return s
}

func get(t testing.TB, url string, headers ...string) (*http.Response, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(context.Background(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			req.Host = headers[i+1]
		}
		req.Header.Set(headers[i], headers[i+1])
	}
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, string(text)
}
