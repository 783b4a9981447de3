package pages

import (
	"fmt"
	"slices"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

// mostTees is at how many points units are drawn whose places are not known.
const mostTees = 10

// drawing is the backbone of a network as every page shows it, with its units as they are now.
type drawing struct {
	render.LiveDrawing
	Network string
}

// drawings are the backbones of the boat: those of its layouts, and of the other networks what is received.
func (s *site) drawings(r *report.Report) (list []drawing) {
	for _, plan := range s.opt.Plans() {
		if a := plan.Now(r); a.Problem == "" {
			list = append(list, drawing{render.LiveDrawing{Audit: a, Report: r}, a.Network})
		}
	}
	for i := range r.Networks {
		n := &r.Networks[i]
		if n.Kind != event.NMEA2000 || slices.ContainsFunc(list, func(d drawing) bool { return d.Network == n.ID }) {
			continue
		}
		d := heardDraft(r, n.ID)
		if len(d.Drops) == 0 {
			continue
		}
		l, err := d.layout()
		if err != nil { // names that a layout cannot hold
			continue
		}
		list = append(list, drawing{render.LiveDrawing{Audit: backbone.NewPlan(l).Now(r), Report: r, Heard: true}, n.ID})
	}
	return list
}

// node is the drawing: to scale where there is room, down the page where there is not.
func (d drawing) node() g.Node {
	label := "Backbone of " + boat.Printable(d.Network)
	return g.Group{
		h.Figure(h.Class("picture live"+edited(d.Edit)), h.Role("region"), h.Aria("label", label), h.TabIndex("0"), d.Picture()),
		h.Ol(h.Class("trunk live"+edited(d.Edit)), h.Aria("label", label), g.Map(d.Places(), drawnPlace)),
	}
}

// edited is the class of a drawing that is edited: a phone shows it too.
func edited(is bool) string {
	if is {
		return " edited"
	}
	return ""
}

// drawnPlace is a point on the drawing that runs down the page.
func drawnPlace(p render.DrawnPlace) g.Node {
	name := ui.Printable(p.Name)
	if p.Href != "" {
		name = h.A(h.Href(p.Href), name, chance(p.Chance))
	}
	return g.Group{
		h.Li(h.Class(strings.TrimSpace("point "+p.Chance.Class())), g.If(p.Chosen, h.Aria("current", "true")), name, ui.Small(p.Words), ui.Small(p.Chance.Words)),
		g.Map(p.Units, func(u render.PlacedUnit) g.Node {
			name := g.Group{h.B(ui.Printable(u.Name)), h.Span(h.Class("state "+u.Class()), g.Text(boat.Printable(u.Words)))}
			state := "present"
			if u.Class() != "" {
				state = u.Class()
			} else if u.State == "" {
				state = "waiting"
			}
			class := h.Class(strings.TrimSpace("unit " + u.Chance.Class()))
			switch {
			case u.Chance.Share > 0:
				return h.Li(class, h.A(h.Href(u.Href), h.B(ui.Printable(u.Name)), chance(u.Chance)), ui.Small(u.Words), ui.Small(u.Chance.Words))
			case u.Href == "":
				return h.Li(class, ui.Mark(state), ui.Space, name)
			}
			return h.Li(class, h.A(h.Href(u.Href), ui.Mark(state), name))
		}),
		g.If(p.Onward != "", h.Li(h.Class(strings.TrimSpace("cable "+p.Cable.Class())), g.Text(p.Onward), chance(p.Cable), ui.Small(p.Cable.Words))),
	}
}

// drawnNetworks are the drawings on the page of the boat.
func drawnNetworks(v *view, list []drawing) g.Node {
	return g.Map(list, func(d drawing) g.Node {
		id, words, link := "drawn-"+ui.Slug(d.Network), "", "Open the layout editor"
		for i := range v.Report.Networks {
			if n := &v.Report.Networks[i]; n.ID == d.Network && n.Load != nil {
				words = fmt.Sprintf("load %s", render.Percent(n.Load.Mean))
			}
		}
		if d.Heard {
			link = "Arrange the drawing"
		}
		return h.Section(h.Aria("labelledby", id), h.H2(h.ID(id), g.Text("Network "+boat.Printable(d.Network)), ui.Small(words)), d.node(),
			h.P(h.Class("links"), h.A(h.Href(editorPath+"?network="+ui.Query(d.Network)), g.Text(link))))
	})
}
