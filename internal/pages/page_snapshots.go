package pages

import (
	"context"
	"fmt"
	"net/http"
	"net/url"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/job"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/ui"
)

// snapshotsPage is the kept snapshots, and the comparison of two of them.
type snapshotsPage struct {
	Kept          []api.Kept
	Baseline      *api.Baseline
	Before, After string
	Comparison    *snapshot.Comparison
	Problem       string
	Job           *job.Job // what the form starts with
	Order         bool     // there is a work order for the service record
	Remaining     []string // checks whose findings remain, sorted
}

func (s *site) snapshotsData(r *http.Request, _ *report.Report) (string, content, error) {
	q := r.URL.Query()
	p := &snapshotsPage{Kept: s.boat.Snapshots(), Baseline: s.boat.Baseline(), Before: q.Get("before"), After: q.Get("after")}
	if p.Before != "" || p.After != "" {
		_, _, c, err := s.boat.Compare(p.Before, p.After)
		if p.Comparison = c; err != nil {
			p.Problem = boat.Printable(err.Error())
		}
		order := s.jobWork().Order
		if p.Order, p.Remaining = order != nil, remaining(c); c != nil {
			p.Job = s.firstJob(c, order)
		}
	} else if n := len(p.Kept); n > 1 {
		p.Before, p.After = p.Kept[n-1].ID, p.Kept[0].ID
	}
	return "Snapshots", p, nil
}

func (p *snapshotsPage) show(v *view) g.Node {
	page := g.Group{h.H1(g.Text("Snapshots")),
		ui.Section("snapshots", "Kept snapshots",
			ui.Meta(g.Text("A snapshot is a sealed report of one moment: any later change of it shows. Take one before the work and one after.")),
			g.If(v.Act, ui.Post("/snapshots/take", ui.Button("Take snapshot", h.Class("main")))),
			p.table())}
	if p.Comparison == nil {
		return append(page, p.baseline(v), ui.Problem(p.Problem))
	}
	return append(page, p.comparison())
}

// table lists the snapshots, to choose two.
func (p *snapshotsPage) table() g.Node {
	if len(p.Kept) == 0 {
		return ui.Empty("None yet.")
	}
	head := func(words string) g.Node { return h.Th(h.Scope("col"), g.Text(words)) }
	return h.Form(h.Class("kept"), h.Method("get"), h.Action("/snapshots"),
		h.Table(h.Class("snapshots"),
			h.THead(h.Tr(head("Taken"), head("Devices"), head("Alerts"), head("Before"), head("After"))),
			h.TBody(g.Map(p.Kept, p.row))),
		h.P(ui.Button("Compare snapshots")))
}

func (p *snapshotsPage) row(k api.Kept) g.Node {
	taken := render.Stamp(k.TakenAt)
	choice := func(name, chosen string) g.Node {
		return h.Td(h.Label(h.Input(h.Type("radio"), h.Name(name), h.Value(k.ID), h.Required(), g.If(k.ID == chosen, h.Checked())), ui.Unseen(taken+" is "+name)))
	}
	return h.Tr(h.ID("snap-"+k.ID),
		h.Th(h.Scope("row"), h.A(h.Href(api.Prefix+"/snapshots/"+url.PathEscape(k.ID)), g.Text(taken)),
			g.If(!k.Complete, g.Group{ui.Space, h.Small(h.Class("flag"), ui.Mark("warning"), g.Text(" incomplete"))}),
			h.Br(), h.Small(h.Code(g.Textf("%.12s", k.SHA256)))),
		h.Td(ui.Number(k.Devices)), h.Td(ui.Number(k.Alerts)), choice("before", p.Before), choice("after", p.After))
}

// comparison is what changed, and the form of the service record.
func (p *snapshotsPage) comparison() g.Node {
	c := p.Comparison
	group := func(x render.Changes) g.Node {
		return g.Group{h.H3(g.Text(x.Title)), ui.ChangeList(x)}
	}
	return h.Section(h.Aria("labelledby", "comparison"), h.ID("result"),
		h.H2(h.ID("comparison"), g.Text("Changes")),
		ui.Meta(g.Textf("From %s to %s; %s unchanged.", render.Stamp(c.Before.TakenAt), render.Stamp(c.After.TakenAt), boat.Counted(len(c.Unchanged), "device", "devices"))),
		ui.OrElse(g.Map(render.ByClass(c), group), h.P(ui.Mark("well"), g.Text(" Nothing changed."))),
		h.H3(g.Text("Service record")),
		ui.Meta(g.Text("All fields are optional. The record leaves out empty fields.")),
		p.recordForm())
}

func (p *snapshotsPage) recordForm() g.Node {
	steps := ui.Meta(g.Text("The record includes the steps of a work order that was followed on the "), h.A(h.Href("/work"), g.Text("Work page")), g.Text("."))
	if p.Order {
		steps = ui.Tick("Include the steps of the work order", "order", true, h.Value("yes"))
	}
	return h.Form(h.Method("get"), h.Action("/snapshots/record"), h.Class("panel grid"),
		ui.Hidden("before", p.Before), ui.Hidden("after", p.After),
		jobFields(p.Job),
		g.Map(p.Remaining, func(check string) g.Node {
			return ui.ValueField(fmt.Sprintf("Why %s is still open", check), "why-"+check, longText, p.Job.Why(check))
		}),
		steps,
		printButtons("/snapshots/record.pdf"))
}

// baseline is the snapshot that the boat is compared with, and the choice of one.
func (p *snapshotsPage) baseline(v *view) g.Node {
	b, may := p.Baseline, v.Act
	about := ui.Meta(g.Text("The baseline is the accepted state of the boat. Missing, new and replaced devices raise an alert. No baseline is set."))
	if b != nil {
		may = may && !b.Named
		about = g.Group{
			h.P(g.Textf("The boat is compared with the snapshot of %s, with %s. Missing, new and replaced devices raise an alert.",
				render.Stamp(b.TakenAt), boat.Counted(b.Devices, "device", "devices"))),
			g.If(b.Named, ui.Meta(g.Text("The baseline is set in the config."))),
		}
	}
	return ui.Section("baseline", "Baseline", about,
		g.If(may && len(p.Kept) > 0, ui.Post("/snapshots/baseline", h.Class("panel"), ui.Choice("Snapshot", "snapshot", g.Map(p.Kept, keptOption)), ui.Space, ui.Button("Set baseline"))),
		g.If(may && b != nil, ui.Post("/snapshots/baseline/end", ui.Button("Remove baseline"))))
}

func keptOption(k api.Kept) g.Node {
	words := render.Stamp(k.TakenAt) + ", " + boat.Counted(k.Devices, "device", "devices")
	if !k.Complete {
		words += ", incomplete"
	}
	return ui.Option(k.ID, words, false)
}

// addBaselineForms registers the forms that set and remove the baseline.
func (s *site) addBaselineForms(mux *http.ServeMux) {
	s.form(mux, "POST /snapshots/baseline", "/snapshots", "accepted", func(ctx context.Context, r *http.Request) error {
		return s.boat.SetBaseline(ctx, r.PostForm.Get("snapshot"))
	})
	s.form(mux, "POST /snapshots/baseline/end", "/snapshots", "no-baseline", func(ctx context.Context, _ *http.Request) error {
		return s.opt.Desk.SetBaseline(ctx, nil)
	})
}
