package pages

import (
	"fmt"
	"net/http"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/fleet/hub"
	"muster/internal/render"
	"muster/internal/ui"
)

// alertsPage lists the open alerts of the fleet by check.
func (s *Server) alertsPage(*http.Request) (string, g.Node, error) {
	groups := g.Map(alertGroups(s.boats()), AlertGroup.section)
	return "Alerts", g.Group{h.H1(g.Text("Alerts")), ui.OrElse(groups, h.P(ui.Mark("well"), g.Text(" No open alerts.")))}, nil
}

// shownAlerts bounds the alerts of one check that the page lists.
const shownAlerts = 50

func (x AlertGroup) section() g.Node {
	id := "check-" + ui.Slug(x.Check)
	on := boat.Counted(len(x.Alerts), "alert", "alerts") + " on " + boat.Counted(x.Boats, "boat", "boats")
	return h.Section(h.Aria("labelledby", id),
		h.H2(h.ID(id), ui.State(x.Severity), g.Text(" "+render.KeyWords(boat.Printable(x.Check))), ui.Small(on)),
		ui.Plain(g.Map(x.Alerts[:min(len(x.Alerts), shownAlerts)], FleetAlert.line)...),
		g.If(len(x.Alerts) > shownAlerts, ui.Meta(g.Textf("The worst %d; the API lists all.", shownAlerts))))
}

func (a FleetAlert) line() g.Node {
	about := ""
	if !a.Since.IsZero() {
		about = "since " + when(a.Since)
	}
	if a.State == string(alert.StatusAcknowledged) {
		about += " · acknowledged"
	}
	return h.Li(boatLink(a.Boat, h.B(named(a.Name, a.Boat))), g.Text(" "), ui.State(a.Severity), g.Text(" "+boat.Printable(a.Summary)), ui.Small(about))
}

// refusalsPage lists the rejected messages of boats.
func (s *Server) refusalsPage(r *http.Request) (string, g.Node, error) {
	list, err := s.opt.Fleet.Refusals(r.Context(), 200)
	problem := ""
	if err != nil {
		problem = boat.Printable(err.Error())
	}
	var two g.Group
	for _, b := range s.boats() {
		if b.Turns > 0 {
			two = append(two, h.Li(ui.Mark("warning"), g.Text(" "), boatLink(b.ID, named(b.Name, b.ID)), ui.Small(fmt.Sprintf("%d boat computers, changed %d times", len(b.Boards), b.Turns))))
		}
	}
	refused := g.Map(list, func(x hub.Refusal) g.Node {
		from := h.Code(ui.Printable(x.Subject))
		if x.Boat != "" {
			from = boatLink(x.Boat, h.B(ui.Printable(x.Boat)))
		}
		return refusal(x, from, g.Text(": "))
	})
	return "Rejected messages", g.Group{
		h.H1(g.Text("Rejected messages")),
		ui.Problem(problem),
		g.If(len(two) > 0, ui.Section("two", "Boats with two boat computers",
			ui.Meta(g.Text("Two boat computers report as the same boat: disconnect one, or enrol it as another boat.")), ui.Plain(two...))),
		ui.Section("refused", "Messages",
			ui.Meta(g.Text("The latest 200. Rejected messages change no data.")),
			ui.Plain(ui.OrElse(refused, h.Li(ui.Mark("well"), g.Text(" None."))))),
	}, nil
}

// refusal is why one message was rejected; from is its sender, where the page does not name it.
func refusal(x hub.Refusal, from ...g.Node) g.Node {
	return h.Li(ui.Mark("warning"), g.Text(" "), g.Group(from), ui.Printable(x.Reason), ui.Small(when(x.At)+" · "+kilobytes(x.Bytes)))
}
