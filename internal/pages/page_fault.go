package pages

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/job"
	"muster/internal/locate"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

// faultPage is where the fault of a network most likely is. What was read is in the open job, or else in the address of the page.
type faultPage struct {
	*api.Search
	At       string   // point where the interface is, "" for unknown
	Readings []string // in the address
	Place    string   // point that was tapped, "" for none
	Job      bool     // readings go into the open job
	path     string
}

// faultPath is the page of a network's fault.
func faultPath(network string) string { return "/fault/" + url.PathEscape(network) }

func (s *site) faultData(r *http.Request, _ *report.Report) (string, content, error) {
	q := r.URL.Query()
	p := &faultPage{At: q.Get("at"), Place: q.Get("place"), Job: s.opt.Desk.Job().Open(), path: faultPath(r.PathValue("id"))}
	if part, what := q.Get("read"), strings.TrimSpace(q.Get("value")); part != "" && what != "" {
		q.Add("reading", completed(part, what))
	}
	for _, text := range q["reading"] {
		if text = strings.TrimSpace(text); text != "" && !slices.Contains(p.Readings, text) {
			p.Readings = append(p.Readings, text)
		}
	}
	var err error
	if p.Search, err = s.boat.Fault(r.PathValue("id"), p.At, p.Readings); err != nil {
		return "", nil, err
	}
	if p.Plan != nil && !slices.Contains(p.Plan.Layout().Line(), p.Place) {
		p.Place = ""
	}
	return "Where is the fault?", p, nil
}

// completed is the text of a reading: what was read, in its form, which holds an ellipsis or, behind the colon, what may be chosen.
func completed(form, value string) string {
	if before, after, ok := strings.Cut(form, "…"); ok {
		if unit := strings.TrimSpace(after); !strings.HasSuffix(strings.ToLower(value), strings.ToLower(unit)) && value != "open" {
			value += after
		}
		return before + strings.Replace(value, ",", ".", 1)
	}
	return form[:strings.LastIndexByte(form, ':')+1] + " " + value
}

func (s *site) addFaultForms(mux *http.ServeMux) {
	s.form(mux, "POST /fault/{id}/reading", "/fault/{id}", "read", func(ctx context.Context, r *http.Request) error {
		f := func(key string) string { return strings.TrimSpace(r.PostForm.Get(key)) }
		e := api.JobEntry{By: f("by"), Kind: job.Reading, Network: r.PathValue("id"), Reading: f("reading")}
		e.Line, _ = strconv.Atoi(f("line"))
		if form := f("read"); form != "" && strings.Contains(form, ":") {
			e.Reading = completed(form, f("value"))
		}
		return s.boat.AddToJob(ctx, e)
	})
	s.form(mux, "POST /fault/{id}/found", "/fault/{id}", "found", func(ctx context.Context, r *http.Request) error {
		return s.boat.AddToJob(ctx, api.JobEntry{By: r.PostForm.Get("by"), Kind: job.Found, Network: r.PathValue("id"),
			Fault: r.PostForm.Get("fault"), Text: r.PostForm.Get("how")})
	})
}

// locateLink leads from alerts of one kind to where their fault is, with the most probable place where it is known.
func (v *view) locateLink(alerts []*ui.Alert) g.Node {
	for _, a := range alerts {
		if !api.Locatable(&a.Alert, v.Report) {
			continue
		}
		words := ""
		if r := v.Located(a.Network); r != nil && len(r.Places) > 0 {
			x := r.Places[0]
			words = fmt.Sprintf("most probable: %s, %s (%s)", boat.Printable(x.Part), x.Fault, percent(x.Probability))
		}
		return h.P(h.Class("links"), h.A(h.Href(faultPath(a.Network)), g.Text("Locate it")), ui.Small(words))
	}
	return nil
}

func (p *faultPage) show(v *view) g.Node {
	r := p.Result
	if p.Plan == nil {
		return g.Group{h.H1(g.Text("Where is the fault?")), p.groups(), h.P(g.Text("Without a layout muster cannot name the place. "),
			h.A(h.Href(editorPath+"?network="+ui.Query(p.Network)), g.Text("Draw the layout of this backbone")))}
	}
	return g.Group{
		h.H1(g.Text("Where is the fault?"), ui.Small(boat.Printable(p.Network))),
		g.Map(r.Misfit, func(s string) g.Node {
			return h.P(h.Class("notice"), ui.Mark("warning"), g.Text(" The layout does not fit. "+boat.Printable(s)))
		}),
		ui.Section("line", "The backbone", ui.Meta(g.Text("Dotted, dashed, whole: unlikely, possible, probable. Tap a place to enter what you read there.")), p.line(v)),
		h.Div(h.Class("search"),
			h.Div(
				g.If(p.Place != "", ui.Section("reading", "Read at "+boat.Printable(p.Place), p.at(v))),
				ui.Section("places", "Most probable", p.places())),
			h.Div(
				ui.Section("next", "Measure or check next", p.next(v)),
				p.readings(v),
				p.groups(),
				p.found(v))),
		p.interfaceForm(),
	}
}

// places lists where the fault may be, with reasons.
func (p *faultPage) places() g.Node {
	r, at := p.Result, map[string]string{}
	for _, x := range locate.Parts(p.Plan.Layout()) {
		at[x.Name] = x.At
	}
	return g.Group{
		listed("places", g.Map(r.Places, func(x locate.Place) g.Node {
			return h.Li(chance(render.Chance{Share: x.Probability}), h.A(h.Href(p.tapped(at[x.Part])), ui.Printable(x.Part)), g.Text(": "+x.Fault),
				ui.Plain(g.Map(x.Reasons, func(s string) g.Node { return h.Li(ui.Printable(s)) })))
		}), ui.Empty("No place is likely.")),
		ui.Meta(g.Text(fmt.Sprintf("No fault in the layout %s, another cause %s. Pairs of faults that were left out: %.1f %% at most.",
			percent(r.NoFault), percent(r.Other), 100*r.LeftOut))),
		g.If(len(r.Together) > 0, g.Group{h.H3(g.Text("Not separated yet; check in this order")), ui.Plain(g.Map(r.Together, func(group []string) g.Node {
			return h.Li(ui.Printable(strings.Join(group, ", ")))
		}))}),
	}
}

// listed is an ordered list, or its replacement when it is empty.
func listed(class string, items g.Group, none g.Node) g.Node {
	if len(items) == 0 {
		return none
	}
	return h.Ol(h.Class(class), items)
}

// next is what to do now, with a form for its result.
func (p *faultPage) next(v *view) g.Node {
	return listed("steps", g.Map(p.Result.Next, func(n locate.Next) g.Node { return h.Li(p.test(v, n)) }),
		ui.Empty("Nothing more to measure: check the places above."))
}

// test is one test, and the form for what was read.
func (p *faultPage) test(v *view, n locate.Next) g.Node {
	minutes := fmt.Sprintf("about %.0f min", n.Minutes)
	if n.Gain > 0 {
		minutes += fmt.Sprintf(", %.1f bit of knowledge", n.Gain)
	}
	return g.Group{h.P(h.B(ui.Printable(n.Do+": "+n.At)), ui.Small(minutes)), p.result(v, n)}
}

// result is the caution of a test, and the form for what was read.
func (p *faultPage) result(v *view, n locate.Next) g.Node {
	return g.Group{
		h.P(h.Class("caution"), ui.Mark("warning"), g.Text(" "+n.Caution)),
		p.form(v, ui.Hidden("read", n.Reading), p.values(n.Reading)),
	}
}

// values are the field for what was read, or a button for each answer.
func (p *faultPage) values(form string) g.Node {
	if _, unit, ok := strings.Cut(form, "…"); ok {
		return g.Group{ui.Field("Read,"+unit, "value", h.Required(), ui.MaxLength(12), g.Attr("inputmode", "decimal"), h.AutoComplete("off")), ui.Space, ui.Button("Enter")}
	}
	_, answers, _ := cutLast(form, ": ")
	return g.Group{ui.Joined(strings.Split(answers, " / "), " ", func(s string) g.Node {
		return ui.Button(s, h.Name("value"), h.Value(s))
	})}
}

// cutLast is strings.Cut at the last separator.
func cutLast(s, sep string) (before, after string, ok bool) {
	k := strings.LastIndex(s, sep)
	if k < 0 {
		return s, "", false
	}
	return s[:k], s[k+len(sep):], true
}

// form sends a reading: into the open job, or with the address.
func (p *faultPage) form(v *view, body ...g.Node) g.Node {
	if p.Job {
		return g.If(v.Act, ui.Post(p.path+"/reading", h.Class("read"), nameOnce(v), g.Group(body)))
	}
	return h.Form(h.Class("read"), h.Method("get"), h.Action(p.path), p.kept(-1), g.Group(body))
}

// nameOnce asks for the name of the person unless it is known from before.
func nameOnce(v *view) g.Node {
	if v.Name != "" {
		return ui.Hidden("by", v.Name)
	}
	return yourName()
}

// kept are the readings in the address, but for one, and where the interface is.
func (p *faultPage) kept(without int) g.Node {
	var list g.Group
	for i, text := range p.Readings {
		if i != without {
			list = append(list, ui.Hidden("reading", text))
		}
	}
	return append(list, g.If(p.At != "", ui.Hidden("at", p.At)))
}

// tapped is the address of the page with a place tapped.
func (p *faultPage) tapped(point string) string {
	q := url.Values{"place": {point}}
	if p.At != "" {
		q.Set("at", p.At)
	}
	for _, text := range p.Readings {
		q.Add("reading", text)
	}
	return p.path + "?" + q.Encode() + "#reading"
}

// at is what can be read at the place that was tapped.
func (p *faultPage) at(v *view) g.Node {
	var measured, checked g.Group
	for _, n := range locate.Readings(p.Plan.Layout(), p.Place) {
		one := ui.More("read-"+ui.Slug(n.Reading), false, ui.Printable(n.Do+": "+n.At), p.result(v, n))
		if strings.HasPrefix(n.Reading, "checked ") {
			checked = append(checked, one)
		} else {
			measured = append(measured, one)
		}
	}
	return append(measured, ui.More("checks", false, g.Text("Check a part at this place"), checked))
}

// readings are those so far, each to be corrected.
func (p *faultPage) readings(v *view) g.Node {
	wrong := func(text string) g.Node {
		if slices.ContainsFunc(p.Result.Readings, func(x locate.Weighed) bool { return x.Contradicts && x.Reading == text }) {
			return ui.Flag("contradicts all the rest: repeat it")
		}
		return nil
	}
	var list g.Group
	for _, t := range p.Taken {
		list = append(list, h.Li(ui.Printable(t.Reading), ui.Small("by "+boat.Printable(t.By)), ui.Space, wrong(t.Reading),
			g.If(v.Act, h.Details(h.ID("line-"+strconv.Itoa(t.Line)), h.Class("act"), h.Summary(g.Text("Correct")),
				ui.Post(p.path+"/reading", ui.Hidden("line", strconv.Itoa(t.Line)), nameOnce(v),
					ui.ValueField("Reading; empty to take it back", "reading", 200, t.Reading), ui.Space, ui.Button("Save"))))))
	}
	for i, text := range p.Readings {
		list = append(list, h.Li(h.Form(h.Class("read"), h.Method("get"), h.Action(p.path), p.kept(i),
			ui.ValueField("Reading; empty to take it back", "reading", 200, text), ui.Space, ui.Button("Correct")), wrong(text)))
	}
	if len(list) == 0 {
		return nil
	}
	return ui.Section("readings", "Readings so far", ui.Plain(list...))
}

func (p *faultPage) groups() g.Node {
	return g.If(len(p.Result.Groups) > 0, ui.Section("together", "Units that failed together", ui.Plain(g.Map(p.Result.Groups, func(group []string) g.Node {
		return h.Li(ui.Printable(strings.Join(group, ", ")))
	}))))
}

// found ends the search: what was at fault, and how it was found.
func (p *faultPage) found(v *view) g.Node {
	switch {
	case !v.Act:
		return nil
	case !p.Job:
		return ui.Section("found", "Found it", h.P(g.Text("The readings are in the address of this page. In an open job they go into its ledger and print on the record: "),
			h.A(h.Href("/work"), g.Text("open a job")), g.Text(".")))
	}
	var options []g.Node
	for _, x := range p.Result.Places {
		options = append(options, ui.Option("", x.Part+": "+x.Fault, false))
	}
	return ui.Section("found", "Found it", ui.Post(p.path+"/found", h.Class("panel grid"),
		h.Label(g.Text("What was at fault "), h.Input(h.Name("fault"), h.Required(), ui.MaxLength(200), g.Attr("list", "faults"))),
		h.DataList(h.ID("faults"), g.Group(options)),
		ui.Field("How it was found, what was done", "how", ui.MaxLength(400)), nameOnce(v), h.P(ui.Button("Save in the job"))))
}

// interfaceForm says where the interface is: it separates the sides of a cut.
func (p *faultPage) interfaceForm() g.Node {
	return h.Form(h.Class("read"), h.Method("get"), h.Action(p.path), g.Map(p.Readings, func(s string) g.Node { return ui.Hidden("reading", s) }),
		h.Label(g.Text("muster's interface is connected at "), h.Select(h.Name("at"), ui.AnyOption("not known"), ui.TextOptions(p.Plan.Layout().Line(), p.At))),
		ui.Space, ui.Button("Use"))
}
