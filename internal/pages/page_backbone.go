package pages

import (
	"bytes"
	"fmt"
	"net/http"
	"slices"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/job"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

// shownPlan is the layout of a backbone, checked and compared with the network.
type shownPlan struct {
	*backbone.Audit
	Now  *report.Report
	Edit bool    // it is drawn to be changed
	ID   string  // for the page: unlike those of other plans
	Job  job.Job // what the form of its commissioning report starts with
}

// node is the layout with the form of its commissioning report.
func (p *shownPlan) node() g.Node {
	id := ui.Slug(p.ID)
	return g.Group{
		h.H3(h.ID("layout-"+id), g.Text("Layout of the backbone"), ui.Small(boat.Printable(p.Boat))),
		g.If(p.Problem != "", h.P(h.Class("notice"), ui.Mark("warning"),
			g.Text(" The layout is not compared with the network: "+boat.Printable(p.Problem)+"."))),
		p.audit(),
		ui.More("report-"+id, false, g.Text("Commissioning report"),
			h.Form(h.Method("get"), h.Action("/backbone/report"), h.Class("panel grid"),
				ui.Hidden("network", p.Network),
				jobFields(&p.Job),
				printButtons("/backbone/report.pdf"))),
		h.P(h.Class("links"), h.A(h.Href(editorPath+"?network="+ui.Query(p.Network)), g.Text("Open in the layout editor"))),
	}
}

// audit is the picture of the backbone with what was found, the figures and where they come from.
func (p *shownPlan) audit() g.Node {
	id := ui.Slug(p.ID)
	return g.Group{
		p.drawn(),
		ui.More("along-"+id, false, g.Text("Along the backbone, in words"), h.Ol(h.Class("plain along"), g.Map(render.AlongBackbone(p.Audit), stop))),
		h.Div(h.Class("columns"),
			h.Div(h.H4(g.Text("Findings")), p.findings(), p.live(), p.coverage()),
			h.Div(h.H4(g.Text("Figures")), h.Ul(h.Class("sheet"), g.Map(render.BackboneFigures(p.Audit), func(f [2]string) g.Node {
				return ui.Row(boat.Printable(f[0]), ui.Printable(f[1]))
			})))),
		h.Ul(h.Class("cautions"), g.Map(p.Cautions, func(s string) g.Node { return h.Li(ui.Mark("warning"), g.Text(" "+s)) })),
		ui.More("sources-"+id, false, g.Text("Where the figures come from"), ui.Lines(p.Sources)),
	}
}

// stop is one point along the backbone, with its drop cables and the cable to the next.
func stop(s render.Stop) g.Node {
	return h.Li(h.B(ui.Printable(s.Name)), ui.Small(fmt.Sprintf("%.1f m", s.Metres)), g.Text(" "+s.Words),
		g.If(len(s.Outlets) > 0, h.Ul(g.Map(s.Outlets, func(o backbone.Outlet) g.Node {
			return h.Li(g.Text(boat.Printable(o.Device)+": "+render.Volts(o.Volts)), ui.Small(render.Drop(o)))
		}))),
		g.If(s.Onward != "", h.Small(g.Text(s.Onward))))
}

func (p *shownPlan) findings() g.Node {
	return ui.Plain(ui.OrElse(g.Map(p.Findings, func(f backbone.Finding) g.Node {
		return h.Li(ui.State(f.Severity), g.Text(" "+boat.Printable(f.Summary)+". "), h.Code(g.Text(f.Check)), render.Remedy(f.Steps, false))
	}), h.Li(ui.Mark("well"), g.Text(" No findings."))))
}

// live compares the layout with the network; it is nothing without one.
func (p *shownPlan) live() g.Node {
	lines := render.LiveLines(p.Live)
	return g.If(len(lines) > 0, g.Group{h.H4(g.Text("Compared with the network")), ui.Lines(lines)})
}

func (p *shownPlan) coverage() g.Node {
	return g.If(len(p.Coverage) > 0, g.Group{
		h.H4(g.Text("Required data")),
		ui.Plain(g.Map(p.Coverage, func(c backbone.Covered) g.Node {
			from := make([]string, len(c.From))
			for i, device := range c.From {
				from[i] = boat.Printable(device)
			}
			words := ""
			if len(from) > 0 {
				words = " from " + strings.Join(from, ", ")
			}
			return h.Li(h.B(g.Text(c.Quantity)), ui.Space, ui.State(c.State), g.Text(words), ui.Small(boat.Printable(c.Note)))
		}))})
}

// addPlans adds every layout to its network, and those without a network to the page.
func (s *site) addPlans(p *networkPage, r *report.Report) {
	for _, plan := range s.opt.Plans() {
		a := plan.Now(r)
		at := slices.IndexFunc(p.Networks, func(n shownNetwork) bool { return a.Problem == "" && n.ID == a.Network })
		id := a.Network
		if at < 0 {
			id = "plan-" + id
		}
		shown := &shownPlan{Audit: a, Now: r, ID: id, Job: s.sharedJob()}
		if at < 0 {
			p.Plans = append(p.Plans, shown)
		} else {
			p.Networks[at].Plan = shown
		}
	}
}

// commissioningReport makes the printed report of a layout and its network; PDF when the path asks for it.
func (s *site) commissioningReport(w http.ResponseWriter, r *http.Request) {
	q, report := r.URL.Query(), s.opt.Reports.Report()
	var a *backbone.Audit
	for _, plan := range s.opt.Plans() {
		if now := plan.Now(report); a == nil && (q.Get("network") == "" || now.Network == q.Get("network")) {
			a = now
		}
	}
	if a == nil {
		s.failed(w, r, fmt.Errorf("layout of network %q: %w: name its file under layout in the config", q.Get("network"), api.ErrNoSuch))
		return
	}
	job, err := jobOf(q, nil, s.sharedJob())
	var out bytes.Buffer
	kind := "text/html; charset=utf-8"
	switch {
	case err != nil:
	case strings.HasSuffix(r.URL.Path, ".pdf"):
		kind, err = "application/pdf", render.BackbonePDF(&out, a, job, report.TakenAt.UTC())
	default:
		err = render.BackboneHTML(&out, a, job)
	}
	if err != nil {
		s.failed(w, r, err)
		return
	}
	standAlone(w, kind)
	_, _ = out.WriteTo(w)
}

// drawn is the drawing alone.
func (p *shownPlan) drawn() g.Node {
	return drawing{render.LiveDrawing{Audit: p.Audit, Report: p.Now, Edit: p.Edit}, p.Network}.node()
}
