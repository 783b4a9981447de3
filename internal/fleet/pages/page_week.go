package pages

import (
	"fmt"
	"net/http"
	"slices"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/fleet/hub"
	"muster/internal/render"
	"muster/internal/ui"
)

// mostVisits bounds the list for the week.
const mostVisits = 40

// mostSilent bounds the boats that it lists because nothing was received from them.
const mostSilent = 100

// weekPage is the list of visits, with what to bring.
func (s *Server) weekPage(*http.Request) (string, g.Node, error) {
	rows := s.boats()
	all := visits(rows)
	shown := all[:min(len(all), mostVisits)]
	minutes := 0
	var bring []string
	for _, v := range shown {
		minutes += v.Minutes
		bring = append(bring, v.Bring...)
	}
	slices.Sort(bring)
	bring = slices.Compact(bring)
	var unheard []*row
	for _, r := range rows {
		if r.Verdict == hub.Silent && !r.revoked() && len(unheard) < mostSilent {
			unheard = append(unheard, r)
		}
	}
	words := boat.Counted(len(shown), "boat", "boats")
	if minutes > 0 {
		words += fmt.Sprintf(", about %d min of updates one after another", minutes)
	}
	if left := len(all) - len(shown); left > 0 {
		words += fmt.Sprintf("; %d more not listed", left)
	}
	return "Week", g.Group{
		h.H1(g.Text("Visits this week")),
		h.P(h.Class("sentence"), g.Text(words+".")),
		ui.Meta(g.Text("As of " + s.opt.Now().UTC().Format("2 January 2006") +
			". Worst alert first. Make a work order before each visit: it has the order of the steps and the cautions.")),
		g.If(len(all) > 0, h.P(h.A(h.Href("/week.csv"), g.Text("Download CSV")))),
		g.If(len(bring) > 0, ui.Section("bring", "Bring", ticks(g.Map(bring, func(what string) g.Node { return h.Li(ui.Printable(what)) })...))),
		ui.Section("visits", "Boats", h.Ol(h.Class("visits"), ui.OrElse(g.Map(shown, s.visit), h.Li(h.Class("empty"), g.Text("No boat needs a visit."))))),
		g.If(len(unheard) > 0, ui.Section("unheard", "Not heard: check the power of the boat computer", ticks(g.Map(unheard, s.unheard)...))),
	}, nil
}

func ticks(lines ...g.Node) g.Node { return h.Ul(h.Class("ticks"), g.Group(lines)) }

func (s *Server) unheard(r *row) g.Node {
	return h.Li(boatLink(r.ID, named(r.Name, r.ID)), ui.Small("last heard "+s.since(r.LastHeard)))
}

func (s *Server) visit(v visit) g.Node {
	about := "last heard " + s.since(v.LastHeard)
	if v.Minutes > 0 {
		about += fmt.Sprintf(" · %d min", v.Minutes)
	}
	var lines g.Group
	for _, a := range v.Alerts {
		if a.Severity != check.Info {
			lines = append(lines, h.Li(ui.State(a.Severity), g.Text(" "+boat.Printable(a.Summary)), ui.Small(ui.After(render.RemedyLabel+": ", a.Remedy))))
		}
	}
	for _, u := range v.Updates {
		lines = append(lines, u.line(v.ID))
	}
	return h.Li(h.Class("visit"), h.ID("visit-"+v.ID),
		h.H3(verdict(v.Verdict), g.Text(" "), boatLink(v.ID, named(v.Name, v.ID)), ui.Small(about)), ticks(lines...))
}

func (u task) line(boatID string) g.Node {
	return h.Li(unitLink(boatID, u.Device), ui.Small(numbered(u.Device.Serial)), g.Text(": "),
		h.B(g.Text(boat.Printable(u.From)+" → "+boat.Printable(u.To))), ui.Small(fmt.Sprintf("%s · %d min", boat.Printable(u.Medium), u.Minutes)))
}
