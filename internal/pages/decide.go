package pages

import (
	"context"
	"net/http"
	"slices"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

// addDecideForms registers the forms by which a person decides which presences are one unit.
func (s *site) addDecideForms(mux *http.ServeMux) {
	s.form(mux, "POST /devices/{id}/decide", "/devices/{id}", "decided", func(ctx context.Context, r *http.Request) error {
		f := r.PostForm.Get
		d, err := api.SameUnit{A: r.PathValue("id"), B: f("other"), Same: f("same") == "yes", By: f("by")}.Decision()
		if err == nil {
			err = s.opt.Desk.Decide(ctx, d)
		}
		return err
	})
	s.form(mux, "POST /devices/{id}/undecide", "/devices/{id}", "undecided", func(ctx context.Context, r *http.Request) error {
		return s.opt.Desk.Undecide(ctx, r.PostForm.Get("a"), r.PostForm.Get("b"))
	})
}

// decisionsOf are the decisions by hand that concern a unit.
func decisionsOf(u *report.Unit, all []boat.Decision) []boat.Decision {
	if u == nil {
		return nil
	}
	ids := u.IDs()
	return slices.DeleteFunc(slices.Clone(all), func(d boat.Decision) bool {
		return !slices.Contains(ids, d.A) && !slices.Contains(ids, d.B)
	})
}

// decide is what a person decided of which presences are one unit, and the form to decide it.
func (p *devicePage) decide(v *view) g.Node {
	u := v.Report.Unit(p.Device.ID)
	if u == nil || len(p.Decisions) == 0 && !v.Act {
		return nil
	}
	action := "/devices/" + ui.Query(p.Device.ID)
	was := v.typed(action+"/decide", "", "")
	return ui.Section("decide", "One unit or two",
		ui.Meta(g.Text("For two entries that are one unit, or one entry that is two units.")),
		g.If(len(p.Decisions) > 0, ui.Plain(g.Map(p.Decisions, func(d boat.Decision) g.Node { return decision(v, action, &d) }))),
		g.If(v.Act, ui.Post(action+"/decide", h.Class("panel grid"), v.wrong(was),
			ui.Choice("Other unit or NAME", "other", p.others(v.Report, u, was.Get("other"))...),
			ui.Choice("Together they are", "same", ui.Option("yes", "one unit", was.Get("same") != "no"), ui.Option("no", "two units", was.Get("same") == "no")),
			ui.ValueField("Your name", "by", 60, was.Get("by"), h.AutoComplete("name"), h.Required(), here(was)),
			h.P(ui.Button("Save decision")))))
}

func decision(v *view, action string, d *boat.Decision) g.Node {
	words := " are two units"
	if d.Same {
		words = " are one unit"
	}
	return h.Li(h.Code(ui.Printable(d.A)), g.Text(" and "), h.Code(ui.Printable(d.B)),
		g.Text(words+ui.After(" · by ", d.By)), ui.Space,
		g.If(v.Act, ui.Post(action+"/undecide", ui.Hidden("a", d.A), ui.Hidden("b", d.B),
			ui.Button("Remove decision", h.Aria("label", "Remove decision on "+boat.Printable(d.A)+" and "+boat.Printable(d.B))))))
}

// maxOthers bounds the units to choose from.
const maxOthers = 300

// others are the other units, and the other presences of this one.
func (p *devicePage) others(r *report.Report, u *report.Unit, now string) []g.Node {
	var options []g.Node
	for _, id := range u.IDs() {
		if id != p.Device.ID {
			options = append(options, ui.Option(id, boat.Printable(id)+", of this unit", id == now))
		}
	}
	for i := range r.Units {
		if o := &r.Units[i]; o.ID != u.ID && len(options) < maxOthers {
			options = append(options, ui.Option(o.ID, render.TitleAt(&o.Device), o.ID == now))
		}
	}
	return options
}
