package pages

import (
	"encoding/json"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/fleet/hub"
	"muster/internal/release"
	"muster/internal/report"
)

// aboard is a display on a boat.
type aboard struct {
	unique           uint32
	serial, software string
	state            boat.DeviceState
	instance         uint8
	first            time.Duration // before now
}

// boatWith is the report of a boat with some displays of one model, each with a serial number of its own.
func boatWith(id string, displays ...aboard) *report.Report {
	r := &report.Report{Schema: report.V1, Boat: boat.Identity{ID: id}, TakenAt: event.At(noon), Clock: boat.ClockSystem,
		Networks: []report.Network{}, Devices: []report.Device{}, Talkers: []report.Talker{}, Manual: []boat.Manual{}, Alerts: []alert.Alert{}}
	for i, d := range displays {
		code, address := uint16(1009), uint8(i)
		first, last := event.At(noon.Add(-d.first)), event.At(noon)
		if d.state != boat.Present {
			last = first.Add(time.Minute)
		}
		r.Devices = append(r.Devices, report.Device{ID: fmt.Sprintf("c0fa1e00%02x%06x", d.instance, d.unique), Network: "can0", Address: &address, State: d.state, Role: boat.RoleDisplay,
			FirstSeen: first, LastSeen: last,
			Name:    &boat.Name{UniqueNumber: d.unique, Manufacturer: boat.Coded{Code: 2001, Name: "Larkfin Marine"}, DeviceInstance: d.instance, ArbitraryAddress: true},
			Product: &boat.Product{Code: &code, Model: "Larkfin LF9 display", Serial: d.serial, Software: d.software}})
	}
	r.Complete()
	return r
}

func display(unique uint32, serial, software string) aboard {
	return aboard{unique: unique, serial: serial, software: software, state: boat.Present, first: 300 * time.Hour}
}

// told is what one answer says of the fleet: how many units are aboard, and the serial numbers of those that are behind; nil and -1 where
// it does not say.
type told struct {
	by     string
	units  int
	behind []string
}

// answers asks everything that counts or lists the units of the fleet.
func answers(t *testing.T, s *Server) []told {
	t.Helper()
	ask := func(path string, to any) {
		t.Helper()
		resp, body := get(t, s.URL()+path)
		if err := json.Unmarshal([]byte(body), to); err != nil {
			t.Fatalf("%s: %s: %v", path, resp.Status, err)
		}
	}
	page := func(path string) string { _, body := get(t, s.URL()+path); return body }
	figure := func(text, pattern string) int {
		t.Helper()
		sum, found := 0, regexp.MustCompile(pattern).FindAllStringSubmatch(text, -1)
		for _, m := range found {
			n, err := strconv.Atoi(m[1])
			must(t, err)
			sum += n
		}
		if len(found) == 0 {
			t.Errorf("nothing is like %s", pattern)
		}
		return sum
	}
	times := func(n int) []string { return make([]string, n) } // only how many are told

	var sum Summary
	ask("/api/v1/fleet", &sum)
	out := []told{{"the fleet", sum.Devices, times(sum.Behind)}}
	front := page("/")
	out = append(out, told{"the first page", figure(front, `(\d+) units?;`), times(figure(front, `(\d+) behind the current release`))})

	var list BoatList
	ask("/api/v1/boats", &list)
	rows, details := told{by: "the list of boats"}, told{by: "the boats"}
	for _, b := range list.Boats {
		rows.units += b.Devices
		rows.behind = append(rows.behind, times(b.Behind)...)
		var d BoatDetail
		ask("/api/v1/boats/"+b.ID, &d)
		details.units += d.Aboard()
		details.behind = append(details.behind, times(d.Behind)...)
		if shown := page("/boats/" + b.ID); b.Behind > 0 != strings.Contains(shown, fmt.Sprintf("%d behind the current release", b.Behind)) {
			t.Errorf("the page of %s does not say that %d are behind", b.ID, b.Behind)
		}
	}
	out = append(out, rows, details)

	search := told{by: "search", units: 0}
	var hits []hub.Hit
	ask("/api/v1/search", &hits)
	for _, h := range hits {
		if h.Away == "" && !h.Device.ByHand {
			search.units++
		}
		var u hub.Unit
		ask("/api/v1/boats/"+h.Boat+"/units/"+url.PathEscape(h.Device.ID), &u)
		if u.Away != h.Away || u.Device.Serial != h.Device.Serial {
			t.Errorf("search shows %s as %q, its own page as %q of %s", h.Device.Serial, h.Away, u.Away, u.Device.Serial)
		}
	}
	hits = nil
	ask("/api/v1/search?below=4.52", &hits)
	for _, h := range hits {
		search.behind = append(search.behind, h.Device.Serial)
	}
	out = append(out, search)

	var campaigns []Campaign
	ask("/api/v1/campaigns", &campaigns)
	counts, detail := told{by: "campaigns", units: -1}, told{by: "the campaign", units: -1}
	for _, c := range campaigns {
		counts.behind = append(counts.behind, times(c.Counts.Behind)...)
		var d CampaignDetail
		ask("/api/v1/campaigns/"+url.PathEscape(c.Model), &d)
		for _, x := range d.Devices {
			if x.Standing == release.StandingBehind {
				detail.behind = append(detail.behind, x.Device.Serial)
			}
		}
	}
	metrics := page("/metrics")
	week := told{by: "the week", units: -1}
	for _, m := range regexp.MustCompile(`serial (LF9-\d+)`).FindAllStringSubmatch(page("/week"), -1) {
		week.behind = append(week.behind, m[1])
	}
	return append(out, counts, detail, week, told{"metrics", figure(metrics, `(?m)^muster_fleet_devices\{[^}]*\} (\d+)`),
		times(figure(metrics, `(?m)^muster_fleet_devices_behind\{[^}]*\} (\d+)`))})
}

// agree holds every answer to the units aboard and to the serial numbers behind.
func agree(t *testing.T, when string, s *Server, units int, behind ...string) {
	t.Helper()
	slices.Sort(behind)
	for _, a := range answers(t, s) {
		if a.units >= 0 && a.units != units {
			t.Errorf("%s: %s says %d units aboard, want %d", when, a.by, a.units, units)
		}
		slices.Sort(a.behind)
		if names := slices.Compact(slices.Clone(a.behind)); len(a.behind) != len(behind) || len(names) > 0 && names[0] != "" && !slices.Equal(a.behind, behind) {
			t.Errorf("%s: %s says behind: %q, want %q", when, a.by, a.behind, behind)
		}
	}
}

// TestAnswersAgree asks everything that counts or lists units about one fleet, while units change their NAMEs, leave, are replaced, move to
// another boat, come back, and boats are revoked. Each unit has one row, and what is no longer aboard counts nowhere.
func TestAnswersAgree(t *testing.T) {
	m := newMarina(t)
	s := serve(t, m.Hub, func(o *Options) { o.Now = time.Now })
	rowsOf := func(serial string) []string {
		t.Helper()
		hits, err := m.Search(hub.Query{Serial: serial})
		must(t, err)
		var rows []string
		for _, h := range hits {
			rows = append(rows, h.Boat+" "+string(h.Away))
		}
		return rows
	}
	row := func(serial string, want ...string) {
		t.Helper()
		if diff := cmp.Diff(want, rowsOf(serial)); diff != "" {
			t.Errorf("rows of %s: %s", serial, diff)
		}
	}

	m.hears("wagtail", boatWith("wagtail", display(1, "LF9-1", "4.40"), display(2, "LF9-2", "4.47"), display(3, "LF9-3", "4.52")))
	m.hears("dunlin", boatWith("dunlin", display(4, "LF9-4", "4.40"), display(5, "LF9-5", "4.52")))
	agree(t, "at first", s, 5, "LF9-1", "LF9-2", "LF9-4")

	gone := display(1, "LF9-1", "4.40")
	gone.first, gone.state = 301*time.Hour, boat.Gone
	renamed := display(1, "LF9-1", "4.47") // another instance, so another NAME
	renamed.instance = 1
	m.hears("wagtail", boatWith("wagtail", gone, renamed, display(2, "LF9-2", "4.47"), display(3, "LF9-3", "4.52")))
	agree(t, "after a unit changed its NAME", s, 5, "LF9-1", "LF9-2", "LF9-4")
	row("LF9-1", "wagtail ")
	if d := m.Boat("wagtail").Devices[0]; len(d.Earlier) != 1 || d.Earlier[0].Version != "4.40" {
		t.Errorf("software before the new NAME: %+v", d.Earlier)
	}

	silent := display(2, "LF9-2", "4.47")
	silent.first, silent.state = 3*time.Hour, boat.Silent
	newcomer := display(6, "LF9-6", "4.52")
	newcomer.first = time.Hour
	m.hears("wagtail", boatWith("wagtail", renamed, silent, newcomer, display(3, "LF9-3", "4.52")))
	row("LF9-2", "wagtail replaced")
	agree(t, "after a unit was replaced", s, 4+1, "LF9-1", "LF9-4")

	m.hears("wagtail", boatWith("wagtail", renamed, newcomer))
	row("LF9-3", "wagtail gone")
	agree(t, "after a unit left", s, 4, "LF9-1", "LF9-4")

	m.hears("plover", boatWith("plover", display(4, "LF9-4", "4.40"))) // dunlin was not heard since it was taken out
	row("LF9-4", "plover ")
	if d := m.Boat("dunlin").Devices[0]; d.Now != "plover" {
		t.Errorf("the boat that it left shows %+v", d)
	}
	u := m.Unit("plover", m.Boat("plover").Devices[0].ID)
	if u == nil || len(u.Stays) != 2 || u.Stays[0].Boat != "plover" || !u.Stays[0].Until.IsZero() || u.Stays[1].Boat != "dunlin" || u.Stays[1].Until.IsZero() {
		t.Errorf("a unit that moved was on %+v", u)
	}
	agree(t, "after a unit moved", s, 4, "LF9-1", "LF9-4")

	m.hears("dunlin", boatWith("dunlin", display(5, "LF9-5", "4.52")))
	row("LF9-4", "plover ")
	agree(t, "after the boat that it left was heard", s, 4, "LF9-1", "LF9-4")

	m.hears("dunlin", boatWith("dunlin", display(5, "LF9-5", "4.52"), display(4, "LF9-4", "4.47")))
	row("LF9-4", "dunlin ", "plover ") // both report it at one time: two boxes with one number
	agree(t, "after two boats report one number", s, 5, "LF9-1", "LF9-4", "LF9-4")
}

// TestRevokedCounts: what is on a boat that was revoked counts nowhere, and is found by its number all the same.
func TestRevokedCounts(t *testing.T) {
	f := fakeBoats(t)
	f.Boat("wagtail").Revoked = noon.Add(-time.Hour)
	s := serve(t, f, nil)
	for _, a := range answers(t, s) {
		if a.by == "search" { // the fake finds without regard to versions
			continue
		}
		if a.units >= 0 && a.units != 4 || len(a.behind) != 1 {
			t.Errorf("%s says %d units, behind %q", a.by, a.units, a.behind)
		}
	}
	if _, page := get(t, s.URL()+"/search?q=LF9-9"); !strings.Contains(page, "boat revoked") {
		t.Error("the search does not find a unit of a revoked boat")
	}
}
