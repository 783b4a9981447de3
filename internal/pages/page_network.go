package pages

import (
	"cmp"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

type networkPage struct {
	Networks   []shownNetwork
	Plans      []*shownPlan // of networks that are not there
	Quantities []supplied
}

type shownNetwork struct {
	report.Network
	Plot       g.Node
	Busy, Full float64  // load of a warning and of a critical alert
	Unjudged   string   // the check of the load, when it is off
	Faults     []string // in words
	Units      []drawn  // by address; what has none comes last
	LEN        int      // load equivalency that online devices report
	Away       int      // and that silent and offline ones reported
	Unreported int      // online devices that report none
	Talkers    []shownTalker
	Legend     bool       // the first with talkers explains the plots
	Plan       *shownPlan // nil without a layout
}

// supplied is a quantity with its sources.
type supplied struct {
	Name  string
	State string // none, one, two for more, silent when all have stopped
	Words string
	From  []supplier
}

type supplier struct {
	ui.Link
	Network string
	State   boat.DeviceState
	Sends   string
}

func (s *site) networkData(_ *http.Request, r *report.Report) (string, content, error) {
	var p networkPage
	explained := false
	limits := s.opt.Checks()
	for _, n := range r.Networks {
		sn := shownNetwork{Network: n, Faults: recentFaults(&n), Busy: limits.BusLoadHigh.Warning, Full: limits.BusLoadHigh.Critical}
		judge, off := "bus-load-high", limits.BusLoadHigh.Off
		if n.Kind == event.NMEA0183 {
			sn.Busy, sn.Full = limits.LineSaturated.Warning, limits.LineSaturated.Critical
			judge, off = "line-saturated", limits.LineSaturated.Off
		}
		if off {
			sn.Unjudged = judge
		}
		sn.Plot = loadPlot(n.ID, s.boat.Minutes(n.ID), sn.Busy, sn.Full)
		sn.addDevices(r)
		for i := range r.Talkers {
			if t := &r.Talkers[i]; t.Network == n.ID {
				sn.Talkers = append(sn.Talkers, showTalker(r, t))
			}
		}
		sn.Legend = !explained
		explained = explained || len(sn.Talkers) > 0
		p.Networks = append(p.Networks, sn)
	}
	for _, q := range boat.Quantities() {
		p.Quantities = append(p.Quantities, supplies(r, q))
	}
	s.addPlans(&p, r)
	return "Network", p, nil
}

func (n *shownNetwork) addDevices(r *report.Report) {
	for i := range r.Devices {
		if d := &r.Devices[i]; d.Own && d.Network == n.ID {
			n.Units = append(n.Units, drawn{d, addressesOn(n.ID, d)})
		}
	}
	for _, d := range r.On(n.ID) {
		u := r.Unit(d.ID)
		if !slices.ContainsFunc(u.Presences, func(p *report.Device) bool { return p.Network == n.ID && !p.Left }) {
			continue
		}
		n.Units = append(n.Units, drawn{d, addressesOn(n.ID, u.Presences...)})
		reported := d.Product != nil && d.Product.LoadEquivalency != nil
		switch away := d.State == boat.Silent || d.State == boat.Gone; {
		case reported && away:
			n.Away += int(*d.Product.LoadEquivalency)
		case reported:
			n.LEN += int(*d.Product.LoadEquivalency)
		case !away:
			n.Unreported++
		}
	}
	slices.SortStableFunc(n.Units, func(a, b drawn) int { return cmp.Compare(addressOr(a.Device, 256), addressOr(b.Device, 256)) })
}

// drawn is a unit on the drawing of a backbone, with the addresses that it has there.
type drawn struct {
	*report.Device
	addresses []string
}

// addressesOn are the addresses on a network that presences of a unit have now.
func addressesOn(network string, presences ...*report.Device) (list []string) {
	for _, d := range presences {
		if d.Network == network && !d.Left && d.Address != nil {
			list = append(list, fmt.Sprint(*d.Address))
		}
	}
	return list
}

// recentFaults lists the faults of a network, and how many of them are of the last minute.
func recentFaults(n *report.Network) []string {
	var words []string
	late := render.FaultList(n.Recent())
	for i, f := range render.FaultList(n.Faults) {
		if f.Count == 0 {
			continue
		}
		word := f.Words()
		if late[i].Count > 0 {
			word += ", " + render.Grouped(late[i].Count) + " in the last minute"
		}
		words = append(words, word)
	}
	return words
}

// supplies lists the sources of a quantity, and between how many of them a display has to choose, as the check multiple-sources sees
// it. Devices and talkers that have stopped are listed, but do not count.
func supplies(r *report.Report, q boat.Quantity) supplied {
	sup := supplied{Name: q.Name, State: "none", Words: "none"}
	now := r.Suppliers(q, r.TakenAt)
	known := map[string]bool{}
	for _, s := range now {
		known[s.ID] = true
		sup.From = append(sup.From, shownSupplier(r, &s))
	}
	sup.addStopped(r, q, known)
	rivals := boat.Rivals(now)
	switch {
	case len(rivals) > 0:
		sup.State = "two"
		var words []string
		for _, list := range rivals {
			word := strconv.Itoa(len(list)) + " sources compete"
			if len(list) < len(now) {
				word += " on " + boat.Printable(list[0].Network)
			}
			words = append(words, word)
		}
		sup.Words = strings.Join(words, ", ")
	case len(now) > 1:
		sup.State, sup.Words = "one", fmt.Sprintf("one source on each of %d networks", len(now))
	case len(now) == 1:
		sup.State, sup.Words = "one", "one source"
	case len(sup.From) > 0:
		sup.State, sup.Words = "silent", "silent"
		if slices.ContainsFunc(sup.From, func(s supplier) bool { return s.State == ui.NoValue }) {
			sup.Words = "sent " + ui.NoValue
		}
	}
	return sup
}

func (sup *supplied) addStopped(r *report.Report, q boat.Quantity, known map[string]bool) {
	for i := range r.Devices {
		d := &r.Devices[i]
		messages, ok := d.Sends(q)
		if !ok || d.Own || d.Left || d.State == boat.Gone || known[cmp.Or(d.Unit, d.ID)] {
			continue
		}
		s := shownSupplier(r, &report.Supplier{ID: d.ID, Network: d.Network, Device: d, Messages: messages})
		if s.State == boat.Present || s.State == boat.Provisional {
			s.State = "stopped"
		}
		known[cmp.Or(d.Unit, d.ID)] = true
		sup.From = append(sup.From, s)
	}
	for i := range r.Talkers {
		t := &r.Talkers[i]
		sentences, ok := t.Sends(q)
		if !ok || known[cmp.Or(t.Unit, t.ID())] {
			continue
		}
		s := shownSupplier(r, &report.Supplier{ID: t.ID(), Network: t.Network, Talker: t, Sentences: sentences})
		switch {
		case slices.ContainsFunc(sentences, func(x report.Sentence) bool { return x.Sent(r.TakenAt) }):
			s.State = ui.NoValue
		case s.State == boat.Present:
			s.State = "stopped"
		}
		sup.From = append(sup.From, s)
	}
}

func shownSupplier(r *report.Report, s *report.Supplier) supplier {
	var words []string
	add := func(word string, in *boat.Interval) {
		if in != nil {
			word += " every " + millis(in.Mean)
		}
		words = append(words, word)
	}
	for _, m := range s.Messages {
		add(strconv.Itoa(int(m.PGN)), m.Interval)
	}
	for _, m := range s.Sentences {
		add(boat.Printable(m.Formatter), m.Interval)
	}
	out := supplier{Link: ui.Link{ID: s.ID}, Network: s.Network, Sends: strings.Join(words, ", ")}
	if s.Talker != nil {
		out.Text, out.State = render.TalkerTitle(s.Talker), s.Talker.State(r.TakenAt)
	} else {
		out.Text, out.State = render.TitleAt(s.Device), s.Device.State
	}
	return out
}

func addressOr(d *report.Device, none int) int {
	if d.Address == nil {
		return none
	}
	return int(*d.Address)
}

// lineConditions are the conditions of an NMEA 0183 line in words.
var lineConditions = map[string]string{
	"good":           "OK: the sentences are complete",
	"noisy":          "noisy: many sentences are damaged",
	"wrong-baud":     "unreadable: wrong speed or reversed wires",
	"swapped-wires":  "unreadable: wires A and B are swapped",
	"other-protocol": "text, but not NMEA 0183",
}

func (p networkPage) show(v *view) g.Node {
	return g.Group{
		h.H1(g.Text("Network")),
		ui.OrElse(g.Map(p.Networks, func(n shownNetwork) g.Node { return n.node(v.Report) }), ui.Empty("No traffic received yet.")),
		g.Map(p.Plans, func(plan *shownPlan) g.Node {
			return h.Section(h.Aria("labelledby", "layout-"+ui.Slug(plan.ID)), plan.node())
		}),
		ui.Section("quantities", "Data sources", h.Ul(h.Class("supplies"), g.Map(p.Quantities, supplied.node))),
	}
}

func (n *shownNetwork) node(r *report.Report) g.Node {
	name := boat.Printable(n.ID)
	return h.Section(h.Aria("label", "Network "+name),
		h.H2(h.ID("net-"+ui.Slug(n.ID)), g.Text(name), ui.Small(ui.NetworkKind(&n.Network))),
		h.Div(h.Class("columns"),
			h.Figure(n.plot(), h.FigCaption(h.Class("meta"), g.Text(n.caption()))),
			h.Div(h.H3(g.Text("Faults")), n.faults(), n.supply())),
		g.If(n.Kind == event.NMEA2000, h.P(h.Class("links"), h.A(h.Href(faultPath(n.ID)), g.Text("Where is the fault?")))),
		n.layout(),
		g.If(len(n.Units) > 0, n.backbone()),
		g.If(len(n.Talkers) > 0, n.talkers(r)))
}

func (n *shownNetwork) plot() g.Node {
	if n.Plot == nil {
		return ui.Empty("No load measured yet.")
	}
	return n.Plot
}

// caption explains the plot of the load.
func (n *shownNetwork) caption() string {
	words := "Bus load per minute"
	if n.Load != nil {
		words += fmt.Sprintf(": now %s, mean %s, peak %s in one second", render.Percent(n.LoadRecent()), render.Percent(n.Load.Mean), render.Percent(n.Load.Peak))
	}
	share := func(f float64) string { return strconv.FormatFloat(math.Round(f*1000)/10, 'f', -1, 64) + " %" }
	off := ""
	if n.Unjudged != "" {
		off = ", but the check " + n.Unjudged + " is off in the config"
	}
	return words + fmt.Sprintf(". Dashed lines: high at %s, overloaded at %s%s. Triangles: minutes with faults. Total: %s.", share(n.Busy), share(n.Full), off, ui.Frames(&n.Network))
}

func (n *shownNetwork) faults() g.Node {
	if len(n.Faults) == 0 {
		return h.P(ui.Mark("well"), g.Text(" None."))
	}
	return ui.Plain(g.Map(n.Faults, func(s string) g.Node { return h.Li(ui.Mark("warning"), g.Text(" "+s)) }))
}

// supply is the load of the devices on the network, or the condition of an NMEA 0183 line.
func (n *shownNetwork) supply() g.Node {
	if n.Kind == event.NMEA2000 {
		words := fmt.Sprintf("%d LEN reported by online devices", n.LEN)
		if n.Away > 0 {
			words += fmt.Sprintf("; %d LEN more by silent and offline devices", n.Away)
		}
		if n.Unreported > 0 {
			words += "; not reported by " + boat.Counted(n.Unreported, "device", "devices")
		}
		return g.Group{h.H3(g.Text("Power")), h.P(g.Text(words + ". 1 LEN is 50 mA."))}
	}
	words := "Speed unknown"
	if n.BitRate != 0 {
		words = fmt.Sprintf("%d baud", n.BitRate)
	}
	if n.Live != nil {
		words += ui.After("; ", lineConditions[n.Live.Line.Condition])
		if baud := n.Live.Line.LikelyBaud; baud != 0 {
			words += fmt.Sprintf(". The talker probably sends at %d baud", baud)
		}
	}
	return g.Group{h.H3(g.Text("Line")), h.P(g.Text(words + "."))}
}

// layout is the layout of the backbone, or the link to draw one.
func (n *shownNetwork) layout() g.Node {
	switch {
	case n.Plan != nil:
		return n.Plan.node()
	case n.Kind == event.NMEA2000:
		return h.P(h.Class("links"), h.A(h.Href(editorPath+"?network="+ui.Query(n.ID)), g.Text("Arrange the drawing of this backbone")))
	}
	return nil
}

func (n *shownNetwork) backbone() g.Node {
	id := "backbone-" + ui.Slug(n.ID)
	return g.Group{
		h.H3(h.ID(id), g.Text("Backbone")),
		ui.Meta(g.Text("Sorted by address. The position of a unit along the backbone is not known.")),
		h.Ul(h.Class("backbone"), h.Aria("labelledby", id), g.Map(n.Units, tap)),
	}
}

// tap is a unit on the drawing of a backbone.
func tap(d drawn) g.Node {
	words := "no address"
	switch len(d.addresses) {
	case 0:
	case 1:
		words = "address " + d.addresses[0]
	default:
		words = "addresses " + strings.Join(d.addresses, ", ")
	}
	if p := d.Product; p != nil && p.LoadEquivalency != nil {
		words += fmt.Sprintf(" · %d LEN", *p.LoadEquivalency)
	}
	if load := render.BusShare(d.Device); load != "" {
		words += " · load " + load
	}
	if d.Own {
		words += " · this program"
	}
	return h.Li(h.Class(string(d.State)),
		h.Span(h.Class("tap"), ui.DeviceLink(d.ID, g.Text(render.DeviceTitle(d.Device))), ui.Small(words), ui.Space, ui.State(d.State)))
}

func (n *shownNetwork) talkers(r *report.Report) g.Node {
	id := "talkers-" + ui.Slug(n.ID)
	return g.Group{
		h.H3(h.ID(id), g.Text("Talkers")),
		g.If(n.Legend, legend()),
		h.Ul(h.Class("talkers"), h.Aria("labelledby", id), g.Map(n.Talkers, func(s shownTalker) g.Node { return s.folded(r) })),
	}
}

// folded is the talker with its faults in view and the rest folded away.
func (s *shownTalker) folded(r *report.Report) g.Node {
	id := ui.Slug(s.ID())
	words := boat.Counted(len(s.Lines), "sentence type", "sentence types")
	if s.Rate != 0 {
		words += fmt.Sprintf(", %.2g per second", s.Rate)
	}
	return h.Li(h.ID("talker-"+id), h.Details(h.ID("what-"+id), g.If(s.Faulty(), g.Attr("open")),
		h.Summary(h.B(g.Text(s.Title)), ui.Space, ui.State(s.State), ui.Space, h.Small(g.Text(words),
			g.If(s.Damaged > 0, g.Group{g.Text("; "), ui.Mark("warning"), g.Text(" " + render.Grouped(s.Damaged) + " with a wrong checksum")}),
			g.Iff(s.AIS != nil, func() g.Node { return g.Text("; " + s.AIS.CountedTargets()) }))),
		s.node(r, false),
		h.P(h.Class("links"), ui.DeviceLink(s.ID(), g.Text("Details of "+s.Title)))))
}

func (sup supplied) node() g.Node {
	state := sup.State
	switch state {
	case "one":
		state = "present"
	case "two":
		state = "warning"
	}
	return h.Li(h.Class(sup.State), h.B(g.Text(sup.Name)), ui.Space,
		h.Span(h.Class("state "+state), ui.Mark(sup.State), g.Text(" "+sup.Words)),
		g.If(len(sup.From) > 0, g.Group{ui.Space, h.Span(g.Map(sup.From, supplier.node))}))
}

func (s supplier) node() g.Node {
	return h.Span(h.Class("source"), ui.DeviceLink(s.ID, g.Text(s.Text)), ui.Space, h.Small(
		g.Text(boat.Printable(s.Network)+" · "+s.Sends),
		g.If(s.State != boat.Present, g.Group{g.Text(" · "), ui.Mark(s.State), g.Text(" " + render.KeyWords(string(s.State)))})))
}
