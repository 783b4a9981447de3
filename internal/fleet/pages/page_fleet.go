package pages

import (
	"fmt"
	"net/http"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/fleet/hub"
	"muster/internal/render"
	"muster/internal/ui"
)

// fleetPage lists the boats; the worst first, unless the address asks for another order.
func (s *Server) fleetPage(r *http.Request) (string, g.Node, error) {
	q := r.URL.Query()
	c := choice{hub.Verdict(q.Get("verdict")), q.Get("q"), q.Get("marina"), q.Get("sort")}
	if err := c.check(); err != nil {
		return "", nil, err
	}
	rows := s.boats()
	sum, marinas := s.summarize(rows), marinasOf(rows)
	rows = c.choose(rows)
	total, part := len(rows), turn(r, len(rows))
	rows = rows[part.first-1 : min(part.first-1+perPage, total)]
	heading := "Boats"
	if c != (choice{Sort: c.Sort}) {
		heading = boat.Counted(total, "boat found", "boats found")
	}
	return "", g.Group{
		s.verdict(sum),
		verdictCounts(sum, c),
		h.Form(h.Class("panel"), h.Method("get"), h.Action("/"), h.Aria("label", "Filter"),
			g.If(c.Verdict != "", ui.Hidden("verdict", string(c.Verdict))), g.If(c.Sort != "", ui.Hidden("sort", c.Sort)),
			ui.ValueField("Boat", "q", 100, c.Text, h.Type("search")), g.Text(" "),
			g.If(len(marinas) > 0, ui.Choice("Marina", "marina", ui.AnyOption("all"), ui.TextOptions(marinas, c.Marina))), g.Text(" "),
			ui.Button("Show boats")),
		ui.Section("boats", heading, s.fleetTable(r, c, rows, sum), part.links()),
	}, nil
}

// fleetTable is the boats with what matters of each.
func (s *Server) fleetTable(r *http.Request, c choice, rows []*row, sum Summary) g.Node {
	if len(rows) == 0 && sum.Boats+sum.revoked == 0 {
		return h.P(h.Class("empty"), g.Text("No boat is enrolled. "), h.A(h.Href("/enrol"), g.Text("Enrol the first boat")), g.Text(" or try "),
			h.Code(g.Text("muster-hub demo")), g.Text("."))
	}
	if len(rows) == 0 {
		return ui.Empty("None.")
	}
	return h.Table(h.Class("units fleet"), h.THead(h.Tr(g.Map(fleetColumns, func(col column) g.Node { return col.head(r, c.Sort) }))),
		h.TBody(g.Map(rows, s.fleetRow)))
}

// head is the head of a column: a link that sorts by it.
func (col column) head(r *http.Request, now string) g.Node {
	q := r.URL.Query()
	q.Del("page")
	q.Set("sort", col.key)
	order := ""
	if now == col.key {
		order = "ascending"
		q.Set("sort", "-"+col.key)
	} else if now == "-"+col.key {
		order = "descending"
	}
	return h.Th(h.Scope("col"), g.If(order != "", h.Aria("sort", order)), h.A(h.Href("/?"+q.Encode()), g.Text(col.title)))
}

// verdict is the fleet in one sentence.
func (s *Server) verdict(sum Summary) g.Node {
	return h.Section(h.Class("verdict "+sum.mark), h.Aria("label", "Verdict"), ui.Mark(sum.mark),
		h.Div(h.H1(g.Text("Fleet")), sentence(sum.Sentence),
			ui.Meta(g.Text(s.figures(sum)+". As of "),
				h.Time(g.Text(render.Stamp(event.At(s.opt.Now())))), g.Text("."))))
}

// figures are the totals of the boats.
func (s *Server) figures(sum Summary) string {
	behind := "no release sheets to compare with"
	if s.opt.Sheets() != nil {
		behind = fmt.Sprintf("%d behind the current release", sum.Behind)
	}
	words := boat.Counted(sum.Devices, "unit", "units") + "; " + behind + "; " + boat.Counted(sum.Alerts, "open alert", "open alerts")
	if sum.revoked > 0 {
		words += "; " + boat.Counted(sum.revoked, "more boat is", "more boats are") + " revoked"
	}
	return words
}

// verdictCounts are how many boats have each verdict, with links that choose them.
func verdictCounts(sum Summary, c choice) g.Node {
	to := func(v hub.Verdict) g.Node {
		q := c
		q.Verdict = v
		return h.Href(q.address())
	}
	current := func(v hub.Verdict) g.Node { return g.If(v == c.Verdict, h.Aria("current", "true")) }
	return h.Ul(h.Class("counts"), h.Aria("label", "By verdict"),
		h.Li(h.A(to(""), current(""), g.Textf("all %d", sum.Boats))),
		g.Map(verdicts, func(v hub.Verdict) g.Node {
			return h.Li(h.A(to(v), current(v), ui.Mark(marks[v]), g.Textf(" %s %d", verdictWords[v], sum.Verdicts[v])))
		}))
}

func (s *Server) fleetRow(r *row) g.Node {
	about := ""
	alerts := h.Small(g.Text("no alert"))
	if r.Verdict == hub.Never {
		alerts = h.Small(g.Text("not reported"))
	}
	if n := len(r.Alerts); n > 0 {
		about = boat.Printable(r.Alerts[0].Summary)
		alerts = counted(n, "open")
	}
	behind := h.Small(g.Text("none behind"))
	switch {
	case r.Behind > 0:
		behind = counted(r.Behind, "behind")
	case s.opt.Sheets() == nil:
		behind = h.Small(g.Text("no sheets"))
	case len(r.Devices) == 0:
		behind = h.Small(g.Text("no unit reported"))
	}
	link := g.Node(h.Small(g.Text(boat.Counted(len(r.Boards), "computer", "computers"))))
	if r.Turns > 0 {
		link = ui.Flag("two computers")
	}
	return h.Tr(h.ID("boat-"+r.ID),
		h.Th(h.Scope("row"), h.Class("who"), boatLink(r.ID, named(r.Name, r.ID)), ui.Small(about)),
		h.Td(r.verdict()), h.Td(ui.Printable(r.Marina)), h.Td(g.Text(s.since(r.LastHeard))), h.Td(alerts), h.Td(behind),
		h.Td(ui.Number(r.Aboard())), h.Td(ui.Printable(r.Version)), h.Td(link))
}

// counted is a number and what it counts.
func counted(n int, what string) g.Node { return g.Group{g.Textf("%d", n), ui.Small(what)} }
