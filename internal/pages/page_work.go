package pages

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strconv"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

// workPage is the work order being followed, and the devices entered by hand.
type workPage struct {
	api.Work
	Groups    []workGroup
	DoneSteps int
	Steps     int
}

type workGroup struct {
	release.Group
	Steps []workStep
}

type workStep struct {
	*release.Step
	Status release.StepStatus
}

func (s *site) workData(*http.Request, *report.Report) (string, content, error) {
	p := &workPage{Work: s.opt.Desk.Work()}
	if p.Order == nil {
		return "Work", p, nil
	}
	for _, group := range p.Order.Groups {
		wg := workGroup{Group: group}
		for i := range group.Steps {
			st := workStep{Step: &group.Steps[i], Status: release.StepStatus{State: release.StepWaiting}}
			for _, status := range p.Status {
				if status.Step == st.ID {
					st.Status = status
				}
			}
			p.Steps++
			if st.Status.State == release.StepVerified {
				p.DoneSteps++
			}
			wg.Steps = append(wg.Steps, st)
		}
		p.Groups = append(p.Groups, wg)
	}
	return "Work", p, nil
}

func (p *workPage) show(v *view) g.Node {
	order := noOrder
	if p.Order != nil {
		order = p.followed
	}
	return g.Group{
		h.H1(g.Text("Work")),
		ui.Section("order", "Work order", order(v)),
		ui.Section("manual", "Entered by hand",
			ui.Meta(g.Text("Devices that are not on any network, such as a radio without a data connection. The report and the service record list them.")),
			h.Ul(h.Class("manual"), ui.OrElse(g.Map(v.Report.Manual, func(m boat.Manual) g.Node { return manualItem(v, &m) }), h.Li(h.Class("empty"), g.Text("None yet.")))),
			g.If(v.Act, manualForm(v))),
	}
}

// noOrder is the form to follow a work order.
func noOrder(v *view) g.Node {
	return g.Group{
		h.P(h.Class("empty"), g.Text("No work order is being followed. "), h.Code(g.Text("muster plan")), g.Text(" makes one from a snapshot and the shop's release sheets.")),
		g.If(v.Act, ui.Post("/work/order", h.Class("panel"), h.EncType("multipart/form-data"), v.wrong(v.typed("/work/order", "", "")),
			ui.Field("Work order (JSON)", "order", h.Type("file"), h.Accept("application/json,.json"), h.Required()), ui.Space, ui.Button("Follow work order"))),
	}
}

// followed is the work order and its progress.
func (p *workPage) followed(v *view) g.Node {
	o, checks := p.Order, p.Work.PreChecks
	if len(checks) == 0 {
		checks = o.PreChecks
	}
	sentence := fmt.Sprintf("%d of %s verified", p.DoneSteps, boat.Counted(p.Steps, "step", "steps"))
	if p.Done {
		sentence += ": the order is done"
	}
	return g.Group{
		h.P(h.Class("sentence"), h.Role("status"), g.Text(sentence+".")),
		h.Progress(h.Max(strconv.Itoa(p.Steps)), h.Value(strconv.Itoa(p.DoneSteps)), h.Aria("label", "Steps verified"), g.Textf("%d of %d", p.DoneSteps, p.Steps)),
		ui.Meta(g.Text(orderSummary(o))),
		g.If(len(o.Cautions) > 0, h.Ul(h.Class("cautions"), g.Map(o.Cautions, caution))),
		headed("Before you start", checks, func(c release.PreCheck) g.Node { return g.Group{ui.State(c.Result), ui.Space, ui.Printable(c.Text)} }),
		g.Map(p.Groups, func(wg workGroup) g.Node { return wg.node(v) }),
		headed("Deferred", o.Deferred, func(r release.Remark) g.Node { return ui.Printable(render.Remark(r)) }),
		headed("Unresolved problems", o.Problems, func(x release.Problem) g.Node {
			return g.Group{ui.Mark("warning"), ui.Space, ui.Printable(x.Text), ui.Small(boat.Printable(x.Remedy))}
		}),
		headed("At the end", o.Finish, ui.Printable),
		g.If(v.Act, ui.Post("/work/end", ui.Button("Stop following"))),
	}
}

func orderSummary(o *release.Order) string {
	words := "For " + ui.Either(o.Boat.Name, o.Boat.ID)
	if !o.Made.IsZero() {
		words += ", made " + render.Stamp(o.Made)
	}
	return fmt.Sprintf("%s. About %d min. Battery voltage at least %.1f V throughout.", words, o.Minutes, o.SupplyVolts)
}

func caution(text string) g.Node { return h.Li(ui.Mark("warning"), ui.Space, ui.Printable(text)) }

// headed is a list of lines under a heading; without lines it is nothing.
func headed[T any](title string, list []T, line func(T) g.Node) g.Node {
	if len(list) == 0 {
		return nil
	}
	return g.Group{h.H3(g.Text(title)), ui.Plain(g.Map(list, func(x T) g.Node { return h.Li(line(x)) }))}
}

func (wg *workGroup) node(v *view) g.Node {
	return g.Group{
		h.H3(g.Textf("Group %d", wg.Number), ui.Small(fmt.Sprintf("about %d min", wg.Minutes))),
		g.If(wg.HoldPoint != "", h.P(h.Class("hold"), h.B(g.Text("Hold point:")), ui.Space, ui.Printable(wg.HoldPoint))),
		h.Ol(h.Class("steps"), g.Map(wg.Steps, func(st workStep) g.Node { return st.node(v) })),
	}
}

// node is a step with its state, its instructions, and the form to enter a version.
func (st *workStep) node(v *view) g.Node {
	s := &st.Status
	was := v.typed("/work/confirm", "step", st.ID)
	return h.Li(h.Class("step "+string(s.State)), h.ID("step-"+st.ID),
		h.H4(ui.State(s.State), ui.Space, ui.Printable(fmt.Sprintf("%s %s: %s → %s", st.ID, st.Device.Label, st.From, st.To))),
		ui.Meta(g.Text(st.summary())),
		g.Map(s.Failures, func(f release.Failure) g.Node {
			return h.P(h.Class("failure"), ui.Mark("critical"), ui.Space, ui.Printable(f.Text))
		}),
		g.Map(s.Notes, func(note string) g.Node { return ui.Meta(ui.Printable(note)) }),
		st.how(),
		g.If(v.Act && s.State != release.StepVerified, h.Details(h.Class("act"), h.ID("confirm-"+st.ID), g.If(was != nil, g.Attr("open")),
			h.Summary(g.Text("Enter the version shown on its screen")),
			ui.Post("/work/confirm", v.wrong(was), ui.Hidden("step", st.ID), ui.ValueField("Version", "version", 80, was.Get("version"), h.Required(), here(was)), ui.Space,
				nameField(was.Get("by")), ui.Space, g.If(st.needsReason(), g.Group{ui.ValueField("Why this counts all the same", "reason", 400, was.Get("reason")), ui.Space}),
				ui.Button("Save version")))))
}

// needsReason reports whether only a person's word settles the step.
func (st *workStep) needsReason() bool {
	return slices.ContainsFunc(st.Status.Failures, func(f release.Failure) bool {
		return f.Reason == release.ReasonDisputed || f.Reason == release.ReasonSupply
	})
}

// summary is what the step takes, and its result.
func (st *workStep) summary() string {
	words := fmt.Sprintf("%s · %d min · back within %d min%s", render.MediumFile(st.Medium), st.Minutes, st.BackWithin, ui.After(" · reported ", st.Status.Version))
	if volts := st.Status.LowestVolts; volts != nil {
		words += fmt.Sprintf(" · lowest battery voltage %.1f V", *volts)
	}
	return words
}

// how lists the instructions, open until the step is done.
func (st *workStep) how() g.Node {
	if len(st.Before)+len(st.Cautions)+len(st.AfterSteps) == 0 {
		return nil
	}
	open := st.Status.State == release.StepLeft || st.Status.State == release.StepWaiting
	item := func(text string) g.Node { return h.Li(ui.Printable(text)) }
	return h.Details(h.ID("how-"+st.ID), g.If(open, g.Attr("open")), h.Summary(g.Text("Instructions")),
		h.Ol(g.Map(st.Before, item), g.Map(st.Cautions, caution), g.Map(st.AfterSteps, item)))
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
