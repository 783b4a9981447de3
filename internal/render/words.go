package render

import (
	"encoding/base64"
	"slices"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/job"
)

// boatName is "Wagtail (wagtail)", as far as the two are known.
func boatName(b boat.Identity) string {
	switch {
	case b.Name != "" && b.ID != "":
		return b.Name + " (" + b.ID + ")"
	case b.Name != "":
		return b.Name
	}
	return b.ID
}

// minute and second are moments as people read them; JSON has the source's own precision.
func minute(t event.Time) string { return moment(t, "2006-01-02 15:04 UTC") }

func second(t event.Time) string { return moment(t, "2006-01-02 15:04:05 UTC") }

func moment(t event.Time, form string) string {
	if t == 0 {
		return "time unknown"
	}
	return t.UTC().Format(form)
}

// Local is a moment as the boat's clock showed it, with its zone: 2 May 2026 15:04 WEST. "" when it is not known. Without a
// zone it is UTC.
func Local(t event.Time, zone *time.Location) string { return local(t, zone, "2 January 2006 15:04") }

// LocalClock is the time of day of such a moment, to the second: 15:04:05 WEST.
func LocalClock(t event.Time, zone *time.Location) string { return local(t, zone, "15:04:05") }

func local(t event.Time, zone *time.Location, form string) string {
	if t.IsZero() {
		return ""
	}
	if zone == nil {
		zone = time.UTC
	}
	at := t.UTC().In(zone)
	name, _ := at.Zone()
	if strings.HasPrefix(name, "+") || strings.HasPrefix(name, "-") { // a zone without a name of its own
		name = "UTC" + name
	}
	return at.Format(form) + " " + name
}

func devices(n int) string { return boat.Counted(n, "device", "devices") }

// letterhead is the head of a page: the shop, and its logo within the page, so that the page is self-contained.
func letterhead(of *job.Job) g.Node {
	shop := []g.Node{h.P(h.Strong(g.Text(of.Shop.Name)))}
	for _, line := range of.Shop.Address {
		shop = append(shop, h.P(g.Text(line)))
	}
	if of.Shop.Contact != "" {
		shop = append(shop, h.P(g.Text(of.Shop.Contact)))
	}
	return h.Header(Block(h.Div(shop...), g.Iff(of.Logo != nil, func() g.Node {
		return h.Img(h.Src("data:image/"+of.Logo.Format+";base64,"+base64.StdEncoding.EncodeToString(of.Logo.Data)), h.Alt(of.Shop.Name))
	})))
}

// jobFacts are the facts of a job besides its shop.
func jobFacts(of *job.Job) [][2]string {
	return withText([][2]string{{"Customer", of.Customer}, {"Place", of.Place}, {"Date", of.Date}, {"Technician", of.Technician}, {"Work", of.Work}})
}

// withText leaves out the facts without text.
func withText(facts [][2]string) [][2]string {
	return slices.DeleteFunc(facts, func(f [2]string) bool { return f[1] == "" })
}
