package pages

import (
	"fmt"
	"net/http"
	"net/url"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/fleet/hub"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/ui"
)

// awayWords are why a unit counts nowhere.
var awayWords = map[hub.Away]string{hub.AwayGone: "no longer on the boat", hub.AwayReplaced: "replaced", hub.AwayMoved: "on another boat now",
	hub.AwayRevoked: "boat revoked"}

// unitAddress is where the page of a unit is.
func unitAddress(boatID, id string) string {
	return "/boats/" + url.PathEscape(boatID) + "/units/" + url.PathEscape(id)
}

// unitLink links to the page of a unit of a boat.
func unitLink(boatID string, d *hub.Device) g.Node {
	return h.A(h.Href(unitAddress(boatID, d.ID)), g.Text(ui.Either(d.Model, d.ID)))
}

// unitList lists the units of a boat, those that count first.
func unitList(b *row) g.Node {
	line := func(d *hub.Device) g.Node {
		about := awayWords[b.Away(d)]
		if about == "" && d.ByHand {
			about = "entered by hand"
		}
		until := "now"
		if !d.Until.IsZero() {
			until = when(d.Until)
		}
		since := "unknown"
		if !d.Since.IsZero() {
			since = when(d.Since)
		}
		return h.Tr(h.Th(h.Scope("row"), unitLink(b.ID, d), ui.Small(numbered(d.Serial))), h.Td(version(d.Software)),
			h.Td(b.standing(d)), h.Td(g.Text(since)), h.Td(g.Text(until)), h.Td(g.Text(about)))
	}
	var rows g.Group
	for i := range b.Devices {
		rows = append(rows, line(&b.Devices[i]))
	}
	for i := range b.Left {
		rows = append(rows, line(&b.Left[i]))
	}
	if len(rows) == 0 {
		return nil
	}
	return ui.Section("aboard", "Units and where they are", h.Table(h.Class("ledger"),
		h.THead(render.Columns("Unit", "Software", "By the sheets", "Since", "Until", "")), h.TBody(rows)))
}

// standing is how the software of a unit of the boat compares with its sheet; nothing for one that counts nowhere.
func (r *row) standing(d *hub.Device) g.Node {
	for _, st := range r.Stands {
		if st.Device == d {
			return ui.StateAs(standingMark(st.Standing), render.KeyWords(string(st.Standing)))
		}
	}
	return nil
}

// unitPage is the row of one unit: where it is now, its software, on which boats it was, and its life aboard.
func (s *Server) unitPage(r *http.Request) (string, g.Node, error) {
	id, unit := r.PathValue("id"), r.PathValue("unit")
	u := s.opt.Fleet.Unit(id, unit)
	if u == nil {
		return "", nil, fmt.Errorf("unit %q of boat %q: %w: the page of the boat lists its units", unit, id, hub.ErrNotFound)
	}
	d := u.Device
	title := ui.Either(d.Model, d.ID)
	return title, g.Group{
		h.P(h.Class("crumb"), boatLink(u.Boat, named(u.Name, u.Boat))),
		h.H1(g.Text(title)),
		ui.Meta(s.whereabouts(u)),
		h.Div(h.Class("columns"),
			ui.Section("identity", "Unit", h.Ul(h.Class("sheet"),
				ui.TextRow("manufacturer", d.Manufacturer), ui.TextRow("serial number", d.Serial), ui.TextRow("role", d.Role),
				ui.Row("software", version(d.Software), s.standingOf(u)), ui.TextRow("network", d.Network), ui.Row("id", h.Code(ui.Printable(d.ID))),
				g.If(d.ByHand, ui.TextRow("entered", "by hand")))),
			ui.Section("boats", "On boats", h.Table(h.THead(render.Columns("Boat", "Since", "Until")), h.TBody(g.Map(u.Stays, stayRow))))),
		earlier(u),
		s.lifeAboard(r, u),
	}, nil
}

// whereabouts is where the unit is now.
func (s *Server) whereabouts(u *hub.Unit) g.Node {
	d := u.Device
	switch {
	case u.Away == hub.AwayMoved:
		return g.Group{ui.StateAs("left", "on another boat now"), g.Text(": "), boatLink(d.Now, ui.Printable(d.Now))}
	case u.Away == hub.AwayReplaced:
		return g.Group{ui.StateAs("left", "replaced"), g.Text(" by "), h.A(h.Href(unitAddress(u.Boat, d.ReplacedBy)), ui.Printable(d.ReplacedBy))}
	case u.Away != "":
		return ui.StateAs("left", awayWords[u.Away])
	case d.ByHand:
		return g.Text("entered by hand")
	}
	words := string(d.State)
	if d.State == boat.Present {
		words = "online"
	}
	return g.Group{ui.StateAs(d.State, words), g.If(!d.Since.IsZero(), g.Text(" · on this boat since "+when(d.Since)))}
}

// standingOf is how the software of a unit compares with its sheet.
func (s *Server) standingOf(u *hub.Unit) g.Node {
	sheets := s.opt.Sheets()
	if sheets == nil || u.Away != "" {
		return nil
	}
	a := u.Device.Kind().Assess(sheets)
	if a.Model == nil {
		return ui.Small("no sheet describes it")
	}
	about := render.KeyWords(string(a.Standing))
	if a.Standing == release.StandingBehind {
		about += ", current is " + boat.Printable(a.Model.Current.Version)
	}
	return g.Group{g.Text(" "), ui.StateAs(standingMark(a.Standing), about), g.Text(" "),
		h.A(h.Href("/campaigns/"+url.PathEscape(a.Model.Name)), g.Text("Campaign"))}
}

// stayRow is one stay of a unit on a boat.
func stayRow(v hub.Stay) g.Node {
	moment := func(t time.Time, none string) g.Node {
		if t.IsZero() {
			return h.Td(g.Text(none))
		}
		return h.Td(g.Text(when(t)))
	}
	return h.Tr(h.Th(h.Scope("row"), boatLink(v.Boat, named(v.Name, v.Boat))), moment(v.Since, "unknown"), moment(v.Until, "now"))
}

// earlier lists the software that the unit ran, on any boat.
func earlier(u *hub.Unit) g.Node {
	var rows g.Group
	for _, v := range u.Stays {
		for i := len(v.Earlier) - 1; i >= 0; i-- {
			rows = append(rows, h.Tr(h.Th(h.Scope("row"), ui.Printable(v.Earlier[i].Version)), h.Td(g.Text(when(v.Earlier[i].Until))),
				h.Td(boatLink(v.Boat, named(v.Name, v.Boat)))))
		}
	}
	if len(rows) == 0 {
		return nil
	}
	return ui.Section("earlier", "Earlier software", h.Table(h.THead(render.Columns("Software", "Until", "Boat")), h.TBody(rows)))
}

// lifeAboard is what the boat computer keeps of the unit.
func (s *Server) lifeAboard(r *http.Request, u *hub.Unit) g.Node {
	report, err := s.opt.Fleet.Report(r.Context(), u.Boat, 0)
	if err != nil {
		return ui.Problem(boat.Printable(err.Error()))
	}
	aboard := report.Unit(u.Device.ID)
	if aboard == nil {
		return nil
	}
	rows := render.LifeRows(&aboard.Life)
	if len(rows) == 0 {
		return nil
	}
	return ui.Section("life", "Life on the boat", h.Table(h.THead(render.Columns("What", "Value", "When")),
		h.TBody(g.Map(rows, func(row render.LifeRow) g.Node {
			return h.Tr(h.Th(h.Scope("row"), g.Text(row.Name)), h.Td(ui.Printable(row.What)), h.Td(g.Text(row.When())))
		}))))
}
