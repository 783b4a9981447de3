package pages

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

type devicePage struct {
	*report.Device
	Decisions []boat.Decision // by hand, of this unit
	Talker    *shownTalker    // set for an NMEA 0183 talker
	Alerts    ui.AlertLists
}

func (s *site) deviceData(req *http.Request, r *report.Report) (string, content, error) {
	id := req.PathValue("id")
	p, t := devicePage{}, r.TalkerByID(id)
	if t == nil {
		p.Device = r.Device(id)
	}
	switch {
	case p.Device == nil && t == nil:
		return "", nil, fmt.Errorf("device %q: %w: its NAME may have changed: find it on the page Boat", id, api.ErrNoSuch)
	case p.Device == nil:
		st := showTalker(r, t)
		for i := range st.Lines {
			st.Lines[i].Values = sentenceValues(st.Lines[i].Latest)
		}
		p.Talker = &st
	}
	for _, a := range ui.Alerts(r) {
		about := slices.ContainsFunc(a.About, func(l ui.Link) bool { return l.ID == id })
		if about || p.Talker != nil && a.Network == t.Network {
			p.Alerts.Add(a)
		}
	}
	if p.Talker != nil {
		return p.Talker.Title, p, nil
	}
	p.Decisions = decisionsOf(r.Unit(id), s.opt.Desk.Decisions())
	return render.DeviceTitle(p.Device), p, nil
}

func (p devicePage) show(v *view) g.Node {
	if p.Talker != nil {
		return p.showTalker(v)
	}
	return p.showDevice(v)
}

func (p *devicePage) showTalker(v *view) g.Node {
	r, t := v.Report, p.Talker
	words := fmt.Sprintf(" · %s · NMEA 0183 talker on %s", t.Role(), boat.Printable(t.Network))
	if t.Baud != 0 {
		words += fmt.Sprintf(" at %d baud", t.Baud)
	}
	return g.Group{
		h.P(h.Class("crumb"), h.A(h.Href("/network#"+url.PathEscape("talker-"+ui.Slug(t.ID()))), g.Text("Network"))),
		h.H1(g.Text(t.Title)),
		ui.Meta(ui.State(t.State), g.Text(words+" · last heard "+render.Ago(r.TakenAt, t.Last()))),
		ui.AlertSection(&v.Showing, &p.Alerts, "Alerts of this line"),
		ui.Section("sends", "Identity and sentences",
			ui.Meta(g.Text("Below each sentence: the latest one as received, and its values.")),
			legend(),
			t.node(r, true)),
		h.P(h.Class("links"), h.A(h.Href("/traffic?device="+ui.Query(t.ID())), g.Text("Show its live sentences")), g.Text(" · "),
			h.A(h.Href("/network#quantities"), g.Text("Other sources of its data"))),
		ui.ClearedAlerts(&v.Showing, &p.Alerts),
	}
}

func (p *devicePage) showDevice(v *view) g.Node {
	d, u := p.Device, v.Report.Unit(p.Device.ID)
	words := " "
	if d.Role != "" {
		words += "· " + string(d.Role) + " "
	}
	return g.Group{
		h.P(h.Class("crumb"), h.A(h.Href("/#"+url.PathEscape("device-"+d.ID)), g.Text("Units"))),
		h.H1(g.Text(render.DeviceTitle(d))),
		ui.Meta(ui.State(d.State), g.Text(words+"· last heard "+render.Ago(v.Report.TakenAt, d.LastSeen))),
		ui.AlertSection(&v.Showing, &p.Alerts, "Alerts"),
		h.Div(h.Class("columns"),
			ui.Section("identity", "Identity", identitySheet(d), unitSheet(u)),
			ui.Section("history", "History", historySheet(v.Report, u))),
		commandList(v.Report, d.ID),
		p.decide(v),
		ui.Section("sends", "Messages", sends(d)),
		ui.ClearedAlerts(&v.Showing, &p.Alerts),
	}
}

// reasons are the words for what presences are joined by.
var reasons = map[boat.Reason]string{
	boat.ByHand:    "joined by hand",
	boat.BySerial:  "same manufacturer, product and serial number",
	boat.ByUnique:  "same manufacturer and unique number",
	boat.ByTalkers: "talkers of one receiver on one line",
}

// unitSheet lists the NAMEs, talkers and entries of a unit that has several, and what they are joined by.
func unitSheet(u *report.Unit) g.Node {
	if len(u.Why) == 0 {
		return nil
	}
	functions := u.Functions()
	return h.Ul(h.Class("sheet"),
		g.If(len(functions) > 1, g.Map(functions, func(f string) g.Node { return ui.Row("function", ui.Printable(f)) })),
		g.Map(u.Presences, func(d *report.Device) g.Node {
			words := "used now"
			if d.Left {
				words = "used before"
			}
			return ui.Row("NAME", h.Code(ui.Printable(d.ID)), ui.Small(words))
		}),
		g.Map(slices.Concat(u.Talkers, u.Manual), func(id string) g.Node { return ui.Row("also", ui.Printable(id)) }),
		g.Map(u.Why, func(why boat.Reason) g.Node { return ui.Row("one unit because", g.Text(reasons[why])) }))
}

// commandList is what others set on the unit over the network; nil when there is nothing.
func commandList(r *report.Report, id string) g.Node {
	u := r.Unit(id)
	if u == nil || len(u.Life.Commands) == 0 {
		return nil
	}
	return ui.Section("commands", "Settings changed over the network", ui.Plain(g.Map(u.Life.Commands,
		func(c boat.RemoteSetting) g.Node { return h.Li(ui.Printable(r.CommandWords(&c))) })))
}

// identitySheet is the identity that the device reports.
func identitySheet(d *report.Device) g.Node {
	return h.Ul(h.Class("sheet"),
		ui.Row("id", h.Code(ui.Printable(d.ID))),
		productRows(d),
		ui.TextRow("manufacturer", d.Manufacturer()),
		nameRows(d.Name),
		g.Iff(d.Installation != nil, func() g.Node {
			in := d.Installation
			return g.Group{ui.TextRow("installation 1", in.Description1), ui.TextRow("installation 2", in.Description2), ui.TextRow("manufacturer's text", in.ManufacturerInformation)}
		}))
}

// lastKnownRow is what a unit was before this start of muster; nothing when that is not known.
func lastKnownRow(k *boat.LastKnown) g.Node {
	if k == nil {
		return nil
	}
	return ui.Row("last known", h.B(ui.Printable(k.Product.Model)),
		g.Text(ui.After(", serial ", boat.Printable(k.Product.Serial))),
		g.Text(ui.After(", software ", boat.Printable(k.Product.Software))),
		ui.Small(render.Stamp(k.At)+", before muster started"))
}

func productRows(d *report.Device) g.Node {
	p := d.Product
	if p == nil {
		return g.Group{
			ui.Row("product", g.Text("not reported"+ui.After(": ", d.Unanswered))),
			lastKnownRow(d.LastKnown),
		}
	}
	return g.Group{
		ui.TextRow("model", p.Model),
		ui.TextRow("model version", p.ModelVersion),
		g.If(p.Software != "", ui.Row("software", h.B(ui.Printable(p.Software)))),
		ui.TextRow("serial", p.Serial),
		ui.NumberRow("product code", p.Code, ""),
		ui.NumberRow("load equivalency", p.LoadEquivalency, " LEN (50 mA each)"),
		ui.NumberRow("certification level", p.CertificationLevel, ""),
	}
}

func nameRows(n *boat.Name) g.Node {
	if n == nil {
		return nil
	}
	function := cmp.Or(n.DeviceFunction.Name, fmt.Sprint(n.DeviceFunction.Code))
	class := cmp.Or(n.DeviceClass.Name, fmt.Sprintf("class %d", n.DeviceClass.Code))
	return g.Group{
		ui.Row("function", g.Text(function), ui.Small("("+class+")")),
		ui.Row("device instance", ui.Number(n.DeviceInstance)),
		ui.Row("system instance", ui.Number(n.SystemInstance)),
		ui.Row("unique number", ui.Number(n.UniqueNumber)),
	}
}

// historySheet is what was received of the unit over time.
func historySheet(r *report.Report, u *report.Unit) g.Node {
	d := &u.Device
	address := "none"
	if d.Address != nil {
		address = fmt.Sprint(*d.Address)
	}
	return h.Ul(h.Class("sheet"),
		ui.Row("network", ui.Printable(d.Network)),
		ui.Row("address now", g.Text(address)),
		ui.Row("first heard", g.Text(render.Stamp(d.FirstSeen))),
		ui.Row("last heard", g.Text(render.Stamp(d.LastSeen))),
		g.Map(render.LifeRows(&u.Life), func(row render.LifeRow) g.Node {
			what := ui.Printable(row.What)
			if row.Unit != "" {
				if o := r.Unit(row.Unit); o != nil {
					what = ui.Printable(o.Device.Label())
				}
				what = ui.DeviceLink(row.Unit, what)
			}
			return ui.Row(row.Name, g.If(row.What != "", h.B(what)), g.Text(ui.After(" ", row.When())))
		}))
}

// softwareRow is one version of a talker's history.
func softwareRow(s boat.Software) g.Node {
	return ui.Row("software", h.B(ui.Printable(s.Version)), g.If(!s.Since.IsZero(), g.Text(" since "+render.Stamp(s.Since))))
}

func sends(d *report.Device) g.Node {
	if len(d.Transmits) == 0 {
		return ui.Empty("No messages yet.")
	}
	return g.Group{legend(), h.Ul(h.Class("sends"), g.Map(d.Transmits, func(t report.Transmit) g.Node { return transmitLine(d.ID, &t) }))}
}

// transmitLine is a message that the device sends, with a link to its latest values.
func transmitLine(id string, t *report.Transmit) g.Node {
	number := fmt.Sprint(t.PGN)
	words := ""
	if t.Instance != nil {
		words += fmt.Sprintf(" · instance %d", *t.Instance)
	}
	if t.Selector != nil {
		words += fmt.Sprintf(" · kind %d", *t.Selector)
	}
	return h.Li(
		h.Span(h.Class("what"), h.B(g.Text(ui.Either(t.Title, "unknown message"))), ui.Space, h.Small(
			h.A(h.Href("/traffic?device="+ui.Query(id)+"&pgn="+number), g.Text(number)),
			g.Text(words+" · "+render.Grouped(t.Count)+"×"),
			g.If(t.Available != nil && !*t.Available, g.Group{g.Text(" · "), ui.Flag("no data")}))), ui.Space,
		every(t.Interval), ui.Space,
		h.Span(h.Class("plot"), intervalPlot(t.Interval, t.Nominal)))
}
