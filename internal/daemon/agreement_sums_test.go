package daemon

import (
	"fmt"
	"html"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/ui/webtest"
)

var (
	reportedLEN = regexp.MustCompile(`(\d+) LEN reported by online devices`)
	supplyRow   = regexp.MustCompile(`(?s)<li class="[a-z]+"><b>([^<]+)</b>(.*?)</li>`)
	sourceLink  = regexp.MustCompile(`(?s)<span class="source"><a href="/devices/([^"]+)">.*?</small></span>`)
	loadGauge   = regexp.MustCompile(`(?m)^muster_network_load_ratio\{network="([^"]+)"\} (\S+)`)
)

// sending are which units send each quantity, as one reader of a report sees it.
func sending(r, names *report.Report) map[string][]string {
	out := map[string][]string{}
	for _, q := range boat.Quantities() {
		for _, s := range r.Suppliers(q, r.TakenAt) {
			out[q.Name] = append(out[q.Name], names.Unit(s.ID).ID+" on "+s.Network)
		}
		slices.Sort(out[q.Name])
	}
	return out
}

// sumsAgree asks for what is summed over units: who sends which quantity, of which of them several do, the load
// equivalency and the load of each backbone. The report, the API, a snapshot, pages, metrics and the audit of a layout
// give one answer.
func sumsAgree(t *testing.T, at time.Duration, r, snap *report.Report, url string) {
	t.Helper()
	var api report.Report
	get(t, url+"/api/v1/report", &api)
	api.Complete()
	want := sending(r, r)
	for by, read := range map[string]*report.Report{"the API": &api, "the snapshot": snap} {
		got := sending(read, r)
		for q := range got { // a report that was written does not give when a message stopped
			got[q] = slices.DeleteFunc(got[q], func(s string) bool { return !slices.Contains(want[q], s) && stopped(r, q, s) })
			if len(got[q]) == 0 {
				delete(got, q)
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%v: sources by %s (-report +%s)\n%s", at, by, by, diff)
		}
	}
	page := string(webtest.Fetch(t, url+"/network"))
	pageAgrees(t, at, r, want, page)
	several := map[string]bool{}
	for _, q := range boat.Quantities() {
		for range boat.Rivals(r.Suppliers(q, r.TakenAt)) {
			several[q.Name] = true
		}
	}
	for _, a := range r.Alerts {
		quantity, _ := a.Evidence["quantity"].(string)
		if a.Check == "multiple-sources" && a.State != alert.StatusCleared && quantity != "" && !several[quantity] {
			t.Errorf("%v: the check sees several sources of %s, the report %q", at, quantity, want[quantity])
		}
	}
	for _, m := range loadGauge.FindAllStringSubmatch(string(webtest.Fetch(t, url+"/metrics")), -1) {
		k := slices.IndexFunc(r.Networks, func(n report.Network) bool { return n.ID == m[1] })
		if load, err := strconv.ParseFloat(m[2], 64); err != nil || k < 0 || load != r.Networks[k].LoadRecent() {
			t.Errorf("%v: the metrics say load %s of %s", at, m[2], m[1])
		}
	}
	for i := range r.Networks {
		if n := &r.Networks[i]; n.Kind == event.NMEA2000 && !n.Silent() {
			layoutAgrees(t, at, r, n.ID, want)
		}
	}
}

// stopped reports whether a unit sent the quantity on a network, and no message of it comes any more.
func stopped(r *report.Report, quantity, source string) bool {
	id, on, _ := strings.Cut(source, " on ")
	k := slices.IndexFunc(boat.Quantities(), func(q boat.Quantity) bool { return q.Name == quantity })
	q := boat.Quantities()[k]
	sent := false
	for _, d := range r.Unit(id).Presences {
		for _, t := range d.Transmits {
			if d.Network == on && q.In(t.PGN, t.Selector, t.Measures) {
				if t.Live.Sending(r.TakenAt) {
					return false
				}
				sent = true
			}
		}
	}
	return sent
}

// pageAgrees compares the page Network with the sources and the load equivalency of the report.
func pageAgrees(t *testing.T, at time.Duration, r *report.Report, want map[string][]string, page string) {
	t.Helper()
	rows := supplyRow.FindAllStringSubmatch(page, -1)
	if len(rows) != len(boat.Quantities()) {
		t.Fatalf("%v: the page lists %d quantities of %d", at, len(rows), len(boat.Quantities()))
	}
	for _, row := range rows {
		var shown []string
		for _, m := range sourceLink.FindAllStringSubmatch(row[2], -1) {
			id, err := url.PathUnescape(html.UnescapeString(m[1]))
			if err != nil {
				t.Fatal(err)
			}
			if stopped := strings.Contains(m[0], "silent") || strings.Contains(m[0], "offline") || strings.Contains(m[0], "stopped"); !stopped {
				shown = append(shown, r.Unit(id).ID)
			}
		}
		var units []string
		for _, s := range want[html.UnescapeString(row[1])] {
			units = append(units, strings.Split(s, " on ")[0])
		}
		slices.Sort(shown)
		slices.Sort(units)
		if diff := cmp.Diff(units, shown); diff != "" {
			t.Errorf("%v: sources of %s by the page (-report +page)\n%s", at, row[1], diff)
		}
	}
	sum := 0
	for _, m := range reportedLEN.FindAllStringSubmatch(page, -1) {
		n, _ := strconv.Atoi(m[1])
		sum += n
	}
	all := 0
	for _, n := range r.Networks {
		if n.Kind == event.NMEA2000 {
			all += int(loadEquivalency(r, n.ID))
		}
	}
	if sum != all {
		t.Errorf("%v: the page says %d LEN, want %d", at, sum, all)
	}
}

// loadEquivalency is what the units report that are on the network now: each counts once, however many NAMEs it has.
func loadEquivalency(r *report.Report, network string) (sum float64) {
	for _, u := range r.Aboard() {
		on := slices.ContainsFunc(u.Presences, func(d *report.Device) bool { return d.Network == network && !d.Left })
		if on && u.State != boat.Silent && u.Device.Product != nil && u.Device.Product.LoadEquivalency != nil {
			sum += float64(*u.Device.Product.LoadEquivalency)
		}
	}
	return sum
}

// layoutAgrees audits a layout that asks for every quantity.
func layoutAgrees(t *testing.T, at time.Duration, r *report.Report, network string, want map[string][]string) {
	t.Helper()
	text := "network: " + network + "\nsegments: [{from: bow, to: stern, length: 10 m, cable: micro}]\npower: [{at: bow, voltage: 12 V}]\ncoverage:\n"
	for _, q := range boat.Quantities() {
		text += fmt.Sprintf("  - {quantity: %s}\n", q.Name)
	}
	l, err := backbone.Parse(t.Context(), "all.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	a := backbone.Judge(l)
	if err := a.Against(l, r); err != nil {
		t.Fatal(err)
	}
	if sum := loadEquivalency(r, network); a.Live.Load.Value != sum {
		t.Errorf("%v: the layout says %g LEN on %s, want %g", at, a.Live.Load.Value, network, sum)
	}
	for _, c := range a.Coverage {
		n := 0
		for _, s := range want[c.Quantity] {
			_, on, _ := strings.Cut(s, " on ")
			k := slices.IndexFunc(r.Networks, func(n report.Network) bool { return n.ID == on })
			if on == network || r.Networks[k].Kind != event.NMEA2000 {
				n++
			}
		}
		if len(c.From) != n {
			t.Errorf("%v: the layout finds %d sources of %s on %s, want %d of %q", at, len(c.From), c.Quantity, network, n, want[c.Quantity])
		}
	}
}
