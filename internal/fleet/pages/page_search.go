package pages

import (
	"cmp"
	"fmt"
	"net/http"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/fleet/hub"
	"muster/internal/ui"
)

// searchPage finds units in the whole fleet.
func (s *Server) searchPage(r *http.Request) (string, g.Node, error) {
	q := readQuery(r)
	content := g.Group{h.H1(g.Text("Search")), searchForm(q)}
	if q == (hub.Query{}) {
		return "Search", content, nil
	}
	hits, err := s.opt.Fleet.Search(q)
	if err != nil {
		return "Search", append(content, ui.Problem(boat.Printable(err.Error()))), nil
	}
	return "Search", append(content, s.found(r, q, hits)), nil
}

// readQuery is what the address asks for.
func readQuery(r *http.Request) hub.Query {
	get := func(key string) string { return strings.TrimSpace(r.URL.Query().Get(key)) }
	return hub.Query{Text: get("q"), Manufacturer: cmp.Or(get("manufacturer"), get("maker")), Model: get("model"), Serial: get("serial"), Role: get("role"),
		Version: get("version"), Below: get("below")}
}

func searchForm(q hub.Query) g.Node {
	field := func(label, name, value string, more ...g.Node) g.Node {
		return ui.ValueField(label, name, 100, value, more...)
	}
	return h.Form(h.Class("panel grid"), h.Method("get"), h.Action("/search"), h.Aria("label", "Search"),
		field("Any text", "q", q.Text, h.Type("search")),
		field("Manufacturer", "manufacturer", q.Manufacturer),
		field("Model", "model", q.Model),
		field("Serial number", "serial", q.Serial),
		ui.Choice("Role", "role", ui.AnyOption("any"), g.Map(boat.Roles(), func(role boat.Role) g.Node {
			return ui.Option("", string(role), string(role) == q.Role)
		})),
		field("Software version", "version", q.Version),
		field("Older than version", "below", q.Below),
		h.P(ui.Button("Search", h.Class("main"))))
}

// found lists one page of hits. Those whose order is unknown, and those that are no longer aboard, have sections of their own.
func (s *Server) found(r *http.Request, q hub.Query, hits []hub.Hit) g.Node {
	known, here := 0, 0
	for _, x := range hits {
		if x.Away == "" {
			here++
			if x.Unknown == "" {
				known++
			}
		}
	}
	part := turn(r, len(hits))
	from, to := part.first-1, min(part.first-1+perPage, len(hits))
	within := func(a, b int) []hub.Hit { return hits[min(max(from, a), b):max(min(to, b), a)] }
	sure, apart, away := within(0, known), within(known, here), within(here, len(hits))
	words := boat.Counted(known, "unit", "units")
	if q.Below != "" {
		words += " older than " + boat.Printable(q.Below)
		if unsure := here - known; unsure > 0 {
			words += fmt.Sprintf("; order unknown for %d more", unsure)
		}
	}
	if gone := len(hits) - here; gone > 0 {
		words += fmt.Sprintf("; %d more no longer on the boat", gone)
	}
	return g.Group{
		sentence(words + "."),
		h.P(h.A(h.Href("/search.csv?"+r.URL.RawQuery), g.Text("Download CSV"))),
		g.If(len(sure) > 0, h.Ul(h.Class("hits"), g.Map(sure, hit))),
		g.If(len(apart) > 0, h.Section(h.Aria("labelledby", "apart"),
			h.H2(h.ID("apart"), ui.Mark("unknown"), g.Text(" Order unknown")), h.Ul(h.Class("hits"), g.Map(apart, hit)))),
		g.If(len(away) > 0, ui.Section("away", "No longer on the boat", h.Ul(h.Class("hits"), g.Map(away, hit)))),
		part.links(),
	}
}

// hit is one unit that was found.
func hit(x hub.Hit) g.Node {
	d := x.Device
	about := boat.Printable(d.Manufacturer) + ui.After(" · ", string(d.Role))
	if d.ByHand {
		about += " · entered by hand"
	}
	about += ui.After(" · ", awayWords[x.Away])
	return h.Li(where(x.Boat, x.Name), g.Text(" "),
		h.Span(unitLink(x.Boat, d), g.Text(" "), h.Small(g.Text(about))), g.Text(" "),
		h.Span(h.Small(g.Text("software")), g.Text(" "), version(d.Software)), g.Text(" "),
		h.Span(g.If(d.Serial != "", h.Small(g.Text(numbered(d.Serial)))), ui.Small(boat.Printable(x.Unknown))))
}

// where links to the boat of a unit.
func where(id, name string) g.Node {
	return h.Span(h.Class("where"), boatLink(id, h.B(named(name, id))))
}

// version is the software of a unit.
func version(software string) g.Node {
	if software == "" {
		return g.Text("not reported")
	}
	return h.B(ui.Printable(software))
}
