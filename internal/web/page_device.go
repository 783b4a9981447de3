package web

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
)

type devicePage struct {
	*boat.Device
	Talker *shownTalker // it is an NMEA 0183 talker, and no device
	Alerts alertLists
}

func (s *Server) deviceData(req *http.Request, r *boat.Report) (string, content, error) {
	id := req.PathValue("id")
	p := devicePage{Device: r.Device(id)}
	t := r.TalkerByID(id)
	switch {
	case p.Device == nil && t == nil:
		return "", nil, fmt.Errorf("device %q: %w: it may have got another one since", id, ErrNoSuch)
	case p.Device == nil:
		st := showTalker(r, t)
		for i := range st.Lines {
			st.Lines[i].Values = sentenceValues(st.Lines[i].Latest)
		}
		p.Talker = &st
	}
	for _, a := range shown(r, SortedAlerts(r)) {
		about := slices.ContainsFunc(a.About, func(l link) bool { return l.ID == id })
		if about || p.Talker != nil && a.Network == t.Network {
			p.Alerts.add(a)
		}
	}
	if p.Talker != nil {
		return p.Talker.Title, p, nil
	}
	return DeviceTitle(p.Device), p, nil
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
		h.P(h.Class("crumb"), h.A(h.Href("/network#"+url.PathEscape("talker-"+Slug(t.ID()))), g.Text("Network"))),
		h.H1(g.Text(t.Title)),
		Meta(State(t.State), g.Text(words+" · heard "+ago(r.TakenAt, t.Last))),
		alertSection(v, &p.Alerts, "Alerts of its line"),
		Section("sends", "What it is and sends",
			Meta(g.Text("Under each sentence stands the latest of it, as heard and with its values.")),
			legend(),
			t.node(r, true)),
		h.P(h.Class("links"), h.A(h.Href("/traffic?device="+query(t.ID())), g.Text("Its sentences as they come")), g.Text(" · "),
			h.A(h.Href("/network#quantities"), g.Text("Who else supplies what it sends"))),
		clearedAlerts(v, &p.Alerts),
	}
}

func (p *devicePage) showDevice(v *view) g.Node {
	d := p.Device
	words := " "
	if d.Role != "" {
		words += "· " + string(d.Role) + " "
	}
	return g.Group{
		h.P(h.Class("crumb"), h.A(h.Href("/#"+url.PathEscape("device-"+d.ID)), g.Text("Roll"))),
		h.H1(g.Text(DeviceTitle(d))),
		Meta(State(d.State), g.Text(words+"· heard "+ago(v.Report.TakenAt, d.LastSeen))),
		alertSection(v, &p.Alerts, "Its alerts"),
		h.Div(h.Class("columns"),
			Section("identity", "Identity", identitySheet(d)),
			Section("history", "History", historySheet(d))),
		Section("sends", "What it sends", sends(d)),
		clearedAlerts(v, &p.Alerts),
	}
}

// identitySheet is what the device says of itself.
func identitySheet(d *boat.Device) g.Node {
	return h.Ul(h.Class("sheet"),
		Row("id", h.Code(Printable(d.ID))),
		productRows(d),
		TextRow("maker", d.Maker()),
		nameRows(d.Name),
		g.Iff(d.Installation != nil, func() g.Node {
			in := d.Installation
			return g.Group{TextRow("installation 1", in.Description1), TextRow("installation 2", in.Description2), TextRow("maker's text", in.ManufacturerInformation)}
		}))
}

func productRows(d *boat.Device) g.Node {
	p := d.Product
	if p == nil {
		return Row("product", g.Text("not told"+After(": ", d.Unanswered)))
	}
	return g.Group{
		TextRow("model", p.Model),
		TextRow("model version", p.ModelVersion),
		g.If(p.Software != "", Row("software", h.B(Printable(p.Software)))),
		TextRow("serial", p.Serial),
		NumberRow("product code", p.Code, ""),
		NumberRow("load equivalency", p.LoadEquivalency, " LEN (50 mA each)"),
		NumberRow("certification level", p.CertificationLevel, ""),
	}
}

func nameRows(n *boat.Name) g.Node {
	if n == nil {
		return nil
	}
	function := cmp.Or(n.DeviceFunction.Name, fmt.Sprint(n.DeviceFunction.Code))
	class := cmp.Or(n.DeviceClass.Name, fmt.Sprintf("class %d", n.DeviceClass.Code))
	return g.Group{
		Row("function", g.Text(function), Small("("+class+")")),
		Row("device instance", Number(n.DeviceInstance)),
		Row("system instance", Number(n.SystemInstance)),
		Row("unique number", Number(n.UniqueNumber)),
	}
}

// historySheet is what muster saw of the device.
func historySheet(d *boat.Device) g.Node {
	address := "none"
	if d.Address != nil {
		address = fmt.Sprint(*d.Address)
	}
	return h.Ul(h.Class("sheet"),
		Row("network", Printable(d.Network)),
		Row("address now", g.Text(address)),
		g.Map(d.Addresses, func(a boat.AddressUse) g.Node {
			return Row("had address", g.Textf("%d since %s", a.Address, Stamp(a.Since)))
		}),
		Row("first heard", g.Text(Stamp(d.FirstSeen))),
		Row("last heard", g.Text(Stamp(d.LastSeen))),
		Row("restarts seen", Number(d.Restarts)),
		g.Map(d.Software, softwareRow))
}

// softwareRow is one version of a history.
func softwareRow(s boat.Software) g.Node {
	return Row("software", h.B(Printable(s.Version)), g.If(!s.Since.IsZero(), g.Text(" since "+Stamp(s.Since))))
}

func sends(d *boat.Device) g.Node {
	if len(d.Transmits) == 0 {
		return Empty("Nothing yet.")
	}
	return g.Group{legend(), h.Ul(h.Class("sends"), g.Map(d.Transmits, func(t boat.Transmit) g.Node { return transmitLine(d.ID, &t) }))}
}

// transmitLine is a message that the device sends, with the way to its latest values.
func transmitLine(id string, t *boat.Transmit) g.Node {
	number := fmt.Sprint(t.PGN)
	words := ""
	if t.Instance != nil {
		words += fmt.Sprintf(" · instance %d", *t.Instance)
	}
	if t.Selector != nil {
		words += fmt.Sprintf(" · kind %d", *t.Selector)
	}
	return h.Li(
		h.Span(h.Class("what"), h.B(g.Text(Either(t.Title, "unlisted message"))), space, h.Small(
			h.A(h.Href("/traffic?device="+query(id)+"&pgn="+number), g.Text(number)),
			g.Text(words+" · "+Grouped(t.Count)+"×"),
			g.If(t.Available != nil && !*t.Available, g.Group{g.Text(" · "), Flag("carries no value")}))), space,
		every(t.Interval), space,
		h.Span(h.Class("plot"), intervalPlot(t.Interval, t.Nominal)))
}
