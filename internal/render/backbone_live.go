package render

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/alert"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/report"
)

// LiveDrawing is a backbone with the state of its units now, each of which leads to its page.
type LiveDrawing struct {
	*backbone.Audit
	Report *report.Report
	Edit   bool // its parts can be pressed and moved, instead of leading to pages
	Heard  bool // no layout gives order and lengths: the points are only places to draw units at
	Likely *Likely

	taken map[string]int // of units that the layout calls alike
}

// Likely is where a fault is, for a drawing that is coloured by it and whose places lead to what can be read there.
type Likely struct {
	Points, Cables []Chance             // of each point, and of the cable to the next, in their order
	Units          map[[2]string]Chance // by point and device
	Href           func(point string) string
	Chosen         string // point, "" for none
}

// Chance is the probability of a place, and the faults that it is of.
type Chance struct {
	Share float64
	Words string
}

// Class is how it is drawn: "" for a place that is not suspected.
func (c Chance) Class() string {
	switch {
	case c.Share >= .5:
		return "most"
	case c.Share >= .1:
		return "some"
	case c.Share > 0:
		return "few"
	}
	return ""
}

// Figure is the probability in whole per cent.
func (c Chance) Figure() string {
	if c.Share > 0 && c.Share < .01 {
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*c.Share)
}

// after adds the figure to the words of a place that is suspected.
func (c Chance) after(words string) string {
	if c.Share > 0 {
		return words + " · " + c.Figure()
	}
	return words
}

// stroke draws the mark of a place on the picture: dotted, dashed or whole, so that colour is not the only sign.
func (c Chance) stroke(shape g.Node) g.Node {
	dashes := map[string]string{"few": "2 3", "some": "6 3", "most": "none"}[c.Class()]
	return g.El("g", h.Class("chance "+c.Class()), g.Attr("fill", "none"), g.Attr("stroke-dasharray", dashes), Block(shape))
}

// mark is a ring around a point or unit.
func (c Chance) mark(x, y string) g.Node {
	if c.Share == 0 {
		return nil
	}
	return c.stroke(g.El("circle", g.Attr("cx", x), g.Attr("cy", y), g.Attr("r", "11"), g.Attr("stroke", "currentColor"), g.Attr("stroke-width", "4")))
}

// DrawnUnit is a unit on a live drawing.
type DrawnUnit struct {
	Chance Chance           // that the fault is of it or its drop cable
	Href   string           // its page; empty for one that was not recognised
	State  boat.DeviceState // empty for one that was not recognised
	Alerts int              // open ones
	Worst  check.Severity   // of these
	Volts  *float64         // measured by itself, of its own drop cable
}

const heardNote = "Drawn from what is received: order and lengths are unknown."

// Picture is the drawing to scale, for use in a page.
func (l *LiveDrawing) Picture() g.Node {
	l.taken = map[string]int{}
	p := pictureOf(l.Audit, l)
	p.Parts = l.Edit
	if l.Likely != nil {
		p.Cables = l.Likely.Cables
	}
	if l.Heard {
		return p.svg(heardNote)
	}
	return p.svg(scaleNote)
}

// DrawnPlace is a point of the backbone with its units and the cable to the next.
type DrawnPlace struct {
	Name, Words   string
	Href          string // "" for none
	Chosen        bool
	Chance, Cable Chance // of a fault at the point, and in the cable to the next
	Units         []PlacedUnit
	Onward        string
}

// PlacedUnit is a unit at a point, in words.
type PlacedUnit struct {
	DrawnUnit
	Name, Words string
}

// Places are the points in their order, for a drawing that runs down a narrow page.
func (l *LiveDrawing) Places() (list []DrawnPlace) {
	l.taken = map[string]int{}
	for i, at := range l.Solution.Points {
		p := DrawnPlace{Name: at.Name}
		if l.Likely != nil {
			p.Href, p.Chosen = l.Likely.Href(at.Name), l.Likely.Chosen == at.Name
			p.Chance = l.Likely.Points[i]
		}
		if !l.Heard {
			p.Words = l.point(at.Name, pointWords(at))
		}
		for _, o := range l.Solution.Outlets {
			if o.At == at.Name {
				u := l.unit(o)
				p.Units = append(p.Units, PlacedUnit{u, o.Device, strings.TrimPrefix(u.words(o, l.Heard), o.Device)})
			}
		}
		if i < len(l.Solution.Legs) && !l.Heard {
			leg := l.Solution.Legs[i]
			if p.Onward = metres(leg.Metres); leg.Amps != 0 {
				p.Onward += fmt.Sprintf(" · %.2f A", max(leg.Amps, -leg.Amps))
			}
			if l.Likely != nil {
				p.Cable = l.Likely.Cables[i]
			}
		}
		list = append(list, p)
	}
	return list
}

// show adds to a point of the picture what is measured there, and whether the fault may be there.
func (l *LiveDrawing) show(d *dot, i int) {
	if l == nil {
		return
	}
	name := l.Solution.Points[i].Name
	d.Volts = l.point(name, d.Volts)
	if l.Likely != nil {
		d.Chance, d.Href = l.Likely.Points[i], l.Likely.Href(name)
		d.Volts = d.Chance.after(d.Volts)
	}
}

// point adds what is measured at a point to its words.
func (l *LiveDrawing) point(name, words string) string {
	switch {
	case l.Live == nil:
		return words
	case l.Heard:
		return ""
	}
	for _, s := range l.Live.Supplies {
		if s.At == name && !s.Own {
			return words + fmt.Sprintf(", measured %.1f V", s.Measured)
		}
	}
	return words
}

// unit is what is known of the device at the end of a drop cable.
func (l *LiveDrawing) unit(o backbone.Outlet) (u DrawnUnit) {
	u = l.state(o)
	if l.Likely != nil {
		u.Href, u.Chance = l.Likely.Href(o.At), l.Likely.Units[[2]string{o.At, o.Device}]
	}
	return u
}

func (l *LiveDrawing) state(o backbone.Outlet) (u DrawnUnit) {
	if l.Live == nil {
		return u
	}
	key, n := o.At+"\n"+o.Device, 0
	for _, p := range l.Live.Units {
		if p.At+"\n"+p.Device != key {
			continue
		}
		if n++; n <= l.taken[key] {
			continue
		}
		l.taken[key]++
		u.Href, u.State = "/devices/"+url.PathEscape(p.ID), p.State
		u.Alerts, u.Worst = openAlerts(l.Report, p.ID)
		for _, s := range l.Live.Supplies {
			if x := l.Report.Device(p.ID); s.Own && s.At == o.At && x != nil && s.Device == x.Label() {
				u.Volts = &s.Measured
			}
		}
		break
	}
	return u
}

// openAlerts counts the alerts of a unit that need attention, and gives the worst severity of them.
func openAlerts(r *report.Report, id string) (n int, worst check.Severity) {
	ids := []string{id}
	if u := r.Unit(id); u != nil {
		ids = u.IDs()
	}
	for i := range r.Alerts {
		a := &r.Alerts[i]
		if a.State == alert.StatusCleared || a.Accepted != "" || a.Quiet() || a.Severity.Rank() <= check.Info.Rank() {
			continue
		}
		if slices.ContainsFunc(a.Devices, func(id string) bool { return slices.Contains(ids, id) }) {
			if n++; a.Severity.Rank() > worst.Rank() {
				worst = a.Severity
			}
		}
	}
	return n, worst
}

// words are the name of a unit with its voltage, its state unless it is online, and its alerts.
func (u DrawnUnit) words(o backbone.Outlet, heard bool) string {
	words := o.Device
	switch {
	case heard:
	case u.Volts != nil:
		words += fmt.Sprintf(" %.2f V measured", *u.Volts)
	default:
		words += " " + Volts(o.Volts)
	}
	switch u.State {
	case boat.Present:
	case "":
		words += " · not recognised"
	default:
		words += " · " + KeyWords(string(u.State))
	}
	if u.Alerts > 0 {
		words += " · " + boat.Counted(u.Alerts, "alert", "alerts")
	}
	return u.Chance.after(words)
}

// Class is how the unit is coloured: by the probability of a fault, its worst alert, or else by its state.
func (u DrawnUnit) Class() string {
	switch {
	case u.Chance.Share > 0:
		return "chance " + u.Chance.Class()
	case u.Alerts > 0:
		return string(u.Worst)
	case u.State == boat.Present:
		return ""
	}
	return string(u.State)
}

// dot is the end of its drop cable: filled when it is online, hollow when it is not.
func (u DrawnUnit) dot(x, y string) g.Node {
	if u.State == boat.Present || u.Href == "" && u.State == "" {
		return svgDot(x, y, "3")
	}
	return g.El("circle", g.Attr("cx", x), g.Attr("cy", y), g.Attr("r", "4"), g.Attr("fill", "none"), g.Attr("stroke", "currentColor"), g.Attr("stroke-width", "1.5"))
}
