package pages

import (
	"cmp"
	"net/http"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/report"
	"muster/internal/ui"
)

// workPage is the latest job, and the devices entered by hand.
type workPage struct {
	job  *api.Job // nil for none
	past []api.PastJob
}

func (s *site) workData(*http.Request, *report.Report) (string, content, error) {
	return "Work", &workPage{s.opt.Desk.Job(), s.opt.Desk.PastJobs()}, nil
}

func (p *workPage) show(v *view) g.Node {
	return g.Group{
		p.jobPart(v),
		p.pastJobs(),
		ui.Section("manual", "Entered by hand",
			ui.Meta(g.Text("Devices that are not on any network, such as a radio without a data connection. The report and the service record list them.")),
			h.Ul(h.Class("manual"), ui.OrElse(g.Map(v.Report.Manual, func(m boat.Manual) g.Node { return manualItem(v, &m) }), h.Li(h.Class("empty"), g.Text("None yet.")))),
			g.If(v.Act, manualForm(v))),
	}
}

// jobPart is the job on one screen: how far it is, and what is to be done now.
func (p *workPage) jobPart(v *view) g.Node {
	if p.job == nil {
		return g.Group{h.H1(g.Text("Work")), ui.Section("job", "New job", newJob(v))}
	}
	j := jobView{p.job, v}
	title := "Job " + boat.Printable(j.Opening.Number) + ui.After(" · ", j.Opening.Boat)
	return g.Group{
		h.H1(g.Text(title)),
		g.If(j.Stage != api.StageAway, j.stages()),
		ui.Problem(boat.Printable(j.Problem)),
		j.stage(),
	}
}

// newJob is the form that opens a job.
func newJob(v *view) g.Node {
	if !v.Act {
		return ui.Empty("No job is open.")
	}
	was := v.typed(openPath, "", "")
	field := func(label, name string, most int, value string) g.Node {
		return ui.ValueField(label, name, most, cmp.Or(was.Get(name), value))
	}
	return g.Group{
		ui.Meta(g.Text("A job is one visit to this boat: snapshots, work order, what happened, pictures and the service record. It stays on this computer; the network is only listened to.")),
		ui.Post(openPath, h.Class("panel grid"), h.ID("new-job"), v.wrong(was), v.byField(was),
			field("Job number", "number", 80, ""), field("Boat", "boat", 80, v.Report.Boat.Name), field("Customer", "customer", 80, ""),
			field("Place", "place", 80, ""), field("Asked for", "asked_for", 400, ""),
			h.P(ui.Button("Open job and take the snapshot before the work", h.Class("main")))),
		takeOver(v),
	}
}

// pastJobs lists the jobs that are kept here.
func (p *workPage) pastJobs() g.Node {
	if len(p.past) < 2 {
		return nil
	}
	return ui.More("past-jobs", false, g.Textf("Earlier jobs (%d)", len(p.past)-1), ui.Plain(g.Map(p.past[1:], func(j api.PastJob) g.Node {
		return h.Li(h.A(h.Href("/work/pack?job="+ui.Query(j.Folder)), g.Text("Download "+boat.Printable(j.Folder)+".zip")))
	})))
}

// byField asks for the name of the person who acts, once: it is remembered on this phone.
func (v *view) byField(was interface{ Get(string) string }) g.Node {
	if name := cmp.Or(was.Get("by"), v.Name); name != "" {
		return ui.Hidden("by", name)
	}
	return yourName()
}

// manualItem is a device that was entered by hand.
func manualItem(v *view, m *boat.Manual) g.Node {
	words := ui.ManualWords(m) + ui.After(" · by ", m.By)
	return h.Li(h.ID("manual-"+m.ID),
		h.Span(h.B(ui.Printable(m.Model)), ui.Small(words), g.If(m.Note != "", g.Group{h.Br(), h.Small(ui.Printable(m.Note))})), ui.Space,
		g.If(v.Act, ui.Post("/work/manual/remove", ui.Hidden("id", m.ID), ui.Button("Remove device", h.Aria("label", "Remove device "+boat.Printable(m.Model))))))
}

func manualForm(v *view) g.Node {
	was := v.typed("/work/manual", "", "")
	now := cmp.Or(was.Get("role"), string(boat.RoleOther))
	role := func(r boat.Role) g.Node { return ui.Option("", string(r), string(r) == now) }
	field := func(label, name string, most int, more ...g.Node) g.Node {
		return ui.ValueField(label, name, most, was.Get(name), more...)
	}
	return ui.Post("/work/manual", h.Class("panel grid"), v.wrong(was),
		field("Model", "model", 80, h.Required(), here(was)),
		ui.Choice("Role", "role", g.Map(boat.Roles(), role)),
		field("Manufacturer", "manufacturer", 80),
		field("Serial number", "serial", 80),
		field("Software", "software", 80),
		field("Place on the boat", "place", 80),
		field("Note", "note", 400),
		field("Your name", "by", 60, h.AutoComplete("name")),
		h.P(ui.Button("Add device")))
}
