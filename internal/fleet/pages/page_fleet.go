package pages

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/fleet/hub"
	"muster/internal/render"
	"muster/internal/ui"
)

// fleetPage lists the boats; the worst first.
func (s *Server) fleetPage(r *http.Request) (string, g.Node, error) {
	q := r.URL.Query()
	chosen, text := hub.Verdict(q.Get("verdict")), q.Get("q")
	if chosen != "" && !slices.Contains(verdicts, chosen) {
		return "", nil, fmt.Errorf("verdict %q is unknown: choose one of the list", chosen)
	}
	rows := s.boats()
	sum := s.summarize(rows)
	rows = choose(rows, chosen, text)
	total, part := len(rows), turn(r, len(rows))
	rows = rows[part.first-1 : min(part.first-1+perPage, total)]
	heading := "Boats"
	if chosen != "" || text != "" {
		heading = boat.Counted(total, "boat found", "boats found")
	}
	return "", g.Group{
		s.verdict(sum),
		verdictCounts(sum, chosen),
		h.Form(h.Class("panel"), h.Method("get"), h.Action("/"), h.Aria("label", "Filter"),
			g.If(chosen != "", ui.Hidden("verdict", string(chosen))),
			ui.ValueField("Boat", "q", 100, text, h.Type("search")), g.Text(" "), ui.Button("Show boats")),
		ui.Section("boats", heading,
			h.Ul(h.Class("fleet"), ui.OrElse(g.Map(rows, s.fleetRow), h.Li(h.Class("empty"), g.Text("None.")))),
			part.links()),
	}, nil
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
func verdictCounts(sum Summary, chosen hub.Verdict) g.Node {
	current := func(v hub.Verdict) g.Node { return g.If(v == chosen, h.Aria("current", "true")) }
	return h.Ul(h.Class("counts"), h.Aria("label", "By verdict"),
		h.Li(h.A(h.Href("/"), current(""), g.Textf("all %d", sum.Boats))),
		g.Map(verdicts, func(v hub.Verdict) g.Node {
			return h.Li(h.A(h.Href("/?verdict="+url.QueryEscape(string(v))), current(v), ui.Mark(marks[v]), g.Textf(" %s %d", verdictWords[v], sum.Verdicts[v])))
		}))
}

func (s *Server) fleetRow(r *row) g.Node {
	about := r.ID
	alerts := h.Small(g.Text("no alert"))
	if r.Verdict == hub.Never {
		alerts = h.Small(g.Text("not reported"))
	}
	if n := len(r.Alerts); n > 0 {
		about += " · " + boat.Printable(r.Alerts[0].Summary)
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
	cell := func(what ...g.Node) g.Node { return g.Group{g.Text(" "), h.Span(h.Class("cell"), g.Group(what))} }
	return h.Li(h.ID("boat-"+r.ID), r.verdict(), g.Text(" "),
		h.Span(h.Class("who"), boatLink(r.ID, named(r.Name, r.ID)), ui.Small(about)),
		cell(h.Small(g.Text("last heard")), g.Text(" "+s.since(r.LastHeard))), cell(alerts), cell(behind))
}

// counted is a number and what it counts.
func counted(n int, what string) g.Node { return g.Group{g.Textf("%d", n), ui.Small(what)} }
