package web

import (
	"maps"
	"slices"
	"strconv"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
)

// shownAlert is an alert with links to what it is about, and its evidence in words.
type shownAlert struct {
	boat.Alert
	About []link
	Facts []fact
}

type fact struct{ Name, Text string }

type link struct{ ID, Text string }

func shown(r *boat.Report, alerts []boat.Alert) []shownAlert {
	var list []shownAlert
	for _, a := range alerts {
		s := shownAlert{Alert: a}
		for _, id := range a.Devices {
			if d := r.Device(id); d != nil {
				s.About = append(s.About, link{id, titleAt(d)})
			}
		}
		keys := slices.Sorted(maps.Keys(a.Evidence))
		texts := make([]string, len(keys))
		for i, key := range keys {
			texts[i] = boat.Printable(EvidenceValue(a.Evidence[key]))
		}
		for i := range r.Talkers {
			t := &r.Talkers[i]
			if slices.Contains(a.Devices, t.ID()) || slices.ContainsFunc(texts, func(text string) bool { return strings.Contains(text, t.ID()) }) {
				s.About = append(s.About, link{t.ID(), TalkerTitle(t)})
			}
		}
		var names, about []string
		for _, l := range s.About {
			names, about = append(names, l.ID, l.Text), append(about, l.Text)
		}
		named := strings.NewReplacer(names...)
		for i, text := range texts {
			name := Words(boat.Printable(keys[i]))
			text = named.Replace(text)
			if keys[i] == "sources" && text == enumerate(about) { // told already
				continue
			}
			s.Facts = append(s.Facts, fact{name, text})
		}
		list = append(list, s)
	}
	return list
}

// alertLists are alerts as a page shows them: the milder and the cleared ones folded away.
type alertLists struct {
	Open     []shownAlert // warnings and worse
	Remarks  []shownAlert // the milder ones that stand
	Accepted []shownAlert // stand, and the owner lives with them
	Cleared  []shownAlert
}

func (l *alertLists) add(a shownAlert) {
	switch {
	case a.State == boat.AlertCleared:
		l.Cleared = append(l.Cleared, a)
	case a.Accepted != "":
		l.Accepted = append(l.Accepted, a)
	case a.Severity.Rank() > boat.Info.Rank():
		l.Open = append(l.Open, a)
	default:
		l.Remarks = append(l.Remarks, a)
	}
}

// alertSection shows the alerts that stand; without any it is nothing.
func alertSection(v *view, l *alertLists, title string) g.Node {
	if len(l.Open)+len(l.Remarks)+len(l.Accepted) == 0 {
		return nil
	}
	remarks := g.Group{Mark("info"), space, g.Text(boat.Counted(len(l.Remarks), "remark", "remarks"))}
	return Section("alerts", title,
		g.If(len(l.Open) > 0, alertList(v, l.Open)),
		g.If(len(l.Remarks) > 0, More("remarks", v.Printed, remarks, alertList(v, l.Remarks))),
		g.If(len(l.Accepted) > 0, More("accepted", v.Printed, g.Text(strconv.Itoa(len(l.Accepted))+" accepted by the owner"), alertList(v, l.Accepted))))
}

// clearedAlerts are those that cleared, folded away; without any it is nothing.
func clearedAlerts(v *view, l *alertLists) g.Node {
	if len(l.Cleared) == 0 {
		return nil
	}
	return More("cleared", false, g.Text(boat.Counted(len(l.Cleared), "cleared alert", "cleared alerts")), alertList(v, l.Cleared))
}

func alertList(v *view, list []shownAlert) g.Node {
	return h.Ol(h.Class("alerts"), g.Map(list, func(a shownAlert) g.Node { return a.item(v) }))
}

// item is an alert with all there is to it, and what the reader may do about it.
func (a *shownAlert) item(v *view) g.Node {
	id := Slug(a.ID)
	acts := v.Act && !v.Printed
	was := v.typed("/alerts/acknowledge", "alert", a.ID)
	return h.Li(h.Class("alert "+string(a.Severity)), h.ID("alert-"+id),
		h.H3(State(a.Severity), space, Printable(a.Summary)),
		Meta(g.Text(a.times(v.Report)+" · "), h.Code(g.Text(a.Check))),
		g.If(a.Remedy != "", h.P(h.Class("remedy"), h.B(g.Text("What to do:")), space, Printable(a.Remedy))),
		g.If(len(a.Facts)+len(a.About) > 0, h.Ul(h.Class("facts"),
			g.If(len(a.About) > 0, Row("about", Joined(a.About, ", ", func(l link) g.Node { return l.node(v) }))),
			g.Map(a.Facts, func(f fact) g.Node { return Row(f.Name, g.Text(f.Text)) }))),
		g.If(acts && a.State == boat.AlertOpen, h.Details(h.Class("act"), h.ID("ack-"+id), g.If(was != nil, g.Attr("open")), h.Summary(g.Text("Acknowledge")),
			Post("/alerts/acknowledge", v.wrong(was), Hidden("alert", a.ID), nameField(was.Get("by")), space, Button("I know of it")))),
		space, // between the two, which stand in one line
		g.If(acts && a.State != boat.AlertCleared && a.SilencedUntil.IsZero() && a.Accepted == "",
			h.P(h.Class("act"), h.A(h.Href("/silences?alert="+query(a.ID)+"#new"), g.Text("Silence")))))
}

// times tells since when the alert stands and what people did about it.
func (a *shownAlert) times(r *boat.Report) string {
	var words string
	if a.State == boat.AlertCleared {
		words = "cleared " + ago(r.TakenAt, a.Until) + ", "
	}
	if !a.Since.IsZero() {
		words += "since " + Stamp(a.Since)
	}
	if a.Flapping {
		words += " · comes and goes"
	}
	if a.State == boat.AlertAcknowledged {
		words += " · acknowledged" + After(" by ", a.AcknowledgedBy)
	}
	if !a.SilencedUntil.IsZero() {
		words += " · silenced until " + Stamp(a.SilencedUntil)
	}
	return words + After(" · accepted: ", a.Accepted)
}

// node leads to what an alert is about; on paper it is its text.
func (l link) node(v *view) g.Node {
	if v.Printed {
		return g.Text(l.Text)
	}
	return deviceLink(l.ID, g.Text(l.Text))
}
