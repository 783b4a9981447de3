package ui

import (
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/ui/webtest"
)

// TestUnitChoice: the address says which units the table shows and in which order, and the table writes that address again.
func TestUnitChoice(t *testing.T) {
	r := webtest.FindUnits(webtest.Sample(t))
	r.Alerts[0].State, r.Alerts[0].Check, r.Alerts[0].Devices, r.Alerts[0].Evidence = alert.StatusOpen, "software-behind", []string{r.Devices[0].ID}, map[string]any{"current": "9.9"}
	shown := func(query string) (titles []string) {
		q, err := url.ParseQuery(query)
		if err != nil {
			t.Fatal(err)
		}
		p := NewBoatReport(r, ReadUnitChoice(q))
		for _, row := range p.Units.Rows {
			titles = append(titles, row.ID)
		}
		return titles
	}
	all := shown("")
	if len(all) < 5 {
		t.Fatalf("the sample has %d units", len(all))
	}
	behind := r.Devices[0].ID
	for query, want := range map[string][]string{
		"behind=yes": {behind}, "q=lf9+LARKFIN&behind=yes": {behind}, "q=nothing+like+it": nil, "state=gone&behind=yes": nil,
		"q=" + url.QueryEscape(r.Devices[0].Product.Serial): {behind},
	} {
		if diff := cmp.Diff(want, shown(query)); diff != "" {
			t.Errorf("%s: %s", query, diff)
		}
	}
	for _, c := range unitColumns {
		up, down := shown("sort="+c.key), shown("sort=-"+c.key)
		if !slices.Equal(slices.Sorted(slices.Values(up)), slices.Sorted(slices.Values(all))) || len(down) != len(all) {
			t.Errorf("sorted by %s: %q and %q", c.key, up, down)
		}
		if c.key == "address" && slices.Equal(up, down) {
			t.Errorf("both ways by %s: %q", c.key, up)
		}
	}
	kept := UnitChoice{Search: "a b&c", State: "gone", Role: "display", Manufacturer: "Ü", Behind: true, Alerts: true, Sort: "-load"}
	to, err := url.Parse(kept.address(kept.Sort))
	if err != nil || ReadUnitChoice(to.Query()) != kept {
		t.Errorf("%v became %+v (%v)", kept, ReadUnitChoice(to.Query()), err)
	}
}

// TestIcons: every role has an icon of its own, and a page holds each that it shows once.
func TestIcons(t *testing.T) {
	paths := slices.Sorted(maps.Values(icons))
	if len(slices.Compact(paths)) != len(boat.Roles()) {
		t.Errorf("%d icons for %d roles", len(icons), len(boat.Roles()))
	}
	var b strings.Builder
	if err := WriteHTML(&b, webtest.Sample(t), "v1"); err != nil {
		t.Fatal(err)
	}
	p := NewBoatReport(webtest.FindUnits(webtest.Sample(t)), UnitChoice{})
	for _, role := range p.Units.roles {
		if n := strings.Count(b.String(), fmt.Sprintf(`<symbol id="icon-%s"`, role)); n != 1 || !strings.Contains(b.String(), fmt.Sprintf(`<use href="#icon-%s"`, role)) {
			t.Errorf("%s: %d symbols", role, n)
		}
	}
}
