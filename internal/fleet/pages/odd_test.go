package pages

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/check"
	"muster/internal/fleet/hub"
	"muster/internal/ui/webtest"
)

// brokenFleet finds nothing out.
type brokenFleet struct{ *fakeFleet }

var errBroken = errors.New("the store does not answer")

func (brokenFleet) Search(hub.Query) ([]hub.Hit, error)                  { return nil, errBroken }
func (brokenFleet) Refusals(context.Context, int) ([]hub.Refusal, error) { return nil, errBroken }

// oddFleet has a boat that is revoked, an acknowledged alert, a device entered by hand, and a message of no boat.
func oddFleet(t *testing.T) *fakeFleet {
	t.Helper()
	f := fakeBoats(t)
	f.Boat("wagtail").Revoked = noon.Add(-time.Hour)
	f.Boat("wagtail").Why = "misbehaves: it sent more than 256 MB on 2026-05-02"
	f.Boat("plover").Alerts[0].State = "acknowledged"
	d := &f.Boat("dunlin").Devices[0]
	d.ByHand, d.Software = true, ""
	f.refused = append(f.refused, hub.Refusal{Subject: "muster.v1.odd", At: noon, Reason: "no boat"})
	return f
}

// oddPage is a page of a fleet in a state that the usual one is not in.
type oddPage struct {
	name, path string
	fleet      hub.Fleet
	edit       func(*Options)
}

func oddPages(t *testing.T) []oddPage {
	t.Helper()
	usual, calm, odd := fakeBoats(t), fakeBoats(t), oddFleet(t)
	calm.reports[1].Alerts = nil
	later := *calm.reports[1]
	later.TakenAt = later.TakenAt.Add(time.Minute)
	calm.reports[2] = &later
	only := func(id string) hub.Fleet { return &fakeFleet{boats: []*hub.Boat{usual.Boat(id)}} }
	noSheets := func(o *Options) { o.Sheets = nil }
	return []oddPage{
		{"empty-fleet", "/", &fakeFleet{}, noSheets},
		{"empty-campaigns", "/campaigns", &fakeFleet{}, noSheets},
		{"empty-week", "/week", &fakeFleet{}, nil},
		{"empty-alerts", "/alerts", &fakeFleet{}, nil},
		{"empty-refusals", "/refusals", &fakeFleet{}, nil},
		{"no-campaign", "/campaigns", &fakeFleet{}, nil},
		{"no-search", "/search", usual, nil},
		{"no-match", "/?q=nobody", usual, nil},
		{"unheard", "/", only("dunlin"), func(o *Options) { o.Silence = 30 * time.Hour }},
		{"watch", "/?verdict=watch", only("plover"), nil},
		{"well", "/", only("redshank"), noSheets},
		{"never", "/", only("knot"), func(o *Options) { o.Token = "open" }},
		{"earlier", "/boats/wagtail?at=1", usual, nil},
		{"no-report", "/boats/wagtail?at=99", usual, nil},
		{"unchanged", "/boats/wagtail?before=1&after=2", calm, nil},
		{"odd-fleet", "/", odd, nil},
		{"odd-boat", "/boats/wagtail", odd, nil},
		{"odd-search", "/search?q=", odd, nil},
		{"odd-hits", "/search?q=LF9", odd, nil},
		{"odd-campaign", "/campaigns/LF9%20display", odd, nil},
		{"odd-alerts", "/alerts", odd, nil},
		{"odd-refusals", "/refusals", odd, nil},
		{"broken-search", "/search?q=x", brokenFleet{usual}, nil},
		{"broken-refusals", "/refusals", brokenFleet{usual}, nil},
	}
}

// TestGoldenOdd holds the pages of fleets in rare states to what was looked at.
func TestGoldenOdd(t *testing.T) {
	for _, p := range oddPages(t) {
		t.Run(p.name, func(t *testing.T) {
			_, body := get(t, serve(t, p.fleet, p.edit).URL()+p.path, "Accept", "text/html", "Authorization", "Bearer open")
			webtest.GoldenPage(t, filepath.Join("testdata", "odd", p.name+".html"), body, *update)
		})
	}
}

const turns = `<nav class="turn" aria-label="Further entries">`

// TestGoldenRefusedLogin: a wrong token is refused with a message.
func TestGoldenRefusedLogin(t *testing.T) {
	s := serve(t, &fakeFleet{}, func(o *Options) { o.Token = "open" })
	resp, page := webtest.Ask(t, http.MethodPost, s.URL()+"/login", "token=wrong",
		"Content-Type", "application/x-www-form-urlencoded")
	if resp.StatusCode != http.StatusUnauthorized {
		t.Error(resp.Status)
	}
	webtest.GoldenPage(t, filepath.Join("testdata", "odd", "login-refused.html"), page, *update)
}

// leftOut is what the pages of a fleet of 600 boats, each with an old display and an alert, state about what they do
// not show.
var leftOut = []struct{ path, says string }{
	{"/", turns + `<a href="/?page=2">Next →</a></nav>`},
	{"/?page=2", turns + `<a href="/?page=1">← Previous</a><a href="/?page=3">Next →</a></nav>`},
	{"/search?q=LF9&page=6", turns + `<a href="/search?page=5&amp;q=LF9">← Previous</a></nav>`},
	{"/campaigns/LF9%20display", `<p class="meta">And 100 more: the API lists all.</p>`},
	{"/week", "; 560 more not listed."},
	{"/alerts", `<p class="meta">The worst 50; the API lists all.</p>`},
}

func largeFleet() *fakeFleet {
	f := &fakeFleet{}
	for i := range 600 {
		id := fmt.Sprintf("boat-%03d", i)
		f.boats = append(f.boats, &hub.Boat{ID: id, LastHeard: noon,
			Devices: []hub.Device{head("c0fa1e0000000001", "LF9-"+id, "4.40")},
			Alerts:  []hub.Alert{{ID: "silent 1", Check: "silent", Severity: check.Critical, State: "open", Summary: "silent"}}})
	}
	return f
}

// TestLeftOut: a page that does not show all states it, or leads on.
func TestLeftOut(t *testing.T) {
	s := serve(t, largeFleet(), nil)
	for _, tt := range leftOut {
		resp, page := get(t, s.URL()+tt.path)
		if resp.StatusCode != http.StatusOK || !strings.Contains(page, tt.says) {
			t.Errorf("%s: %s, lacks %s", tt.path, resp.Status, tt.says)
		}
	}
}
