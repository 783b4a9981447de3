package ui

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/snapshot"
)

// Showing is how a report is shown.
type Showing struct {
	Report  *report.Report
	Zone    *time.Location      // of the boat
	Printed bool                // it is self-contained: no links, no forms
	Drawn   bool                // alerts show their series as a picture; what is printed always does
	Acts    func(*Alert) g.Node // what the reader may do about an alert; nil for nothing
}

// Moment is a moment as the boat's clock showed it; the exact UTC is its title.
func (s *Showing) Moment(t event.Time) g.Node { return momentAs(t, render.Local(t, s.Zone)) }

// Clock is the time of day of a moment as the boat's clock showed it; the exact UTC is its title.
func (s *Showing) Clock(t event.Time) g.Node { return momentAs(t, render.LocalClock(t, s.Zone)) }

func momentAs(t event.Time, words string) g.Node {
	if t.IsZero() {
		return g.Text("unset")
	}
	return h.Time(h.DateTime(t.UTC().Format(time.RFC3339)), h.Title(render.Stamp(t)), g.Text(words))
}

// Alert is an alert with links to what it is about, and its evidence in words.
type Alert struct {
	alert.Alert
	About []Link
	Facts []Fact

	series *check.Series // nil for none
}

// Fact is a name with its value.
type Fact struct{ Name, Text string }

// Link is the id of something that has a page, or of a choice, and its text.
type Link struct{ ID, Text string }

// Alerts lists the alerts of a report: the most severe first, cleared ones last.
func Alerts(r *report.Report) []Alert {
	var list []Alert
	for _, a := range render.SortedAlerts(r) {
		s := Alert{Alert: a}
		about, facts := render.Evidence(r, &a)
		var titles []string
		for _, m := range about {
			s.About, titles = append(s.About, Link{m.ID, m.Title}), append(titles, m.Title)
		}
		for _, f := range facts {
			if f.Key != "sources" || f.Text != render.Enumerate(titles) { // else listed as links
				s.Facts = append(s.Facts, Fact{f.Name, f.Text})
			}
		}
		if series, ok := check.SeriesOf(a.Evidence); ok {
			series.Lines = slices.Clone(series.Lines)
			for i := range series.Lines {
				for _, m := range about {
					if m.ID == series.Lines[i].Name {
						series.Lines[i].Name = m.Title
					}
				}
			}
			s.series = &series
		}
		list = append(list, s)
	}
	return list
}

// AlertLists are alerts as a page shows them: info alerts, accepted and cleared ones are folded away.
type AlertLists struct {
	Open     []Alert // warnings and worse
	Infos    []Alert // of severity info
	Accepted []Alert // open, and accepted by the owner
	Cleared  []Alert
}

// Add adds an alert to its list.
func (l *AlertLists) Add(a Alert) {
	switch {
	case a.State == alert.StatusCleared && !a.Passed():
		l.Cleared = append(l.Cleared, a)
	case a.Accepted != "":
		l.Accepted = append(l.Accepted, a)
	case a.Severity.Rank() > check.Info.Rank():
		l.Open = append(l.Open, a)
	default:
		l.Infos = append(l.Infos, a)
	}
}

// AlertSection shows the alerts that have not cleared; without any it is nothing.
func AlertSection(v *Showing, l *AlertLists, title string) g.Node {
	if len(l.Open)+len(l.Infos)+len(l.Accepted) == 0 {
		return nil
	}
	infos := g.Group{Mark("info"), Space, g.Text(boat.Counted(len(l.Infos), "info alert", "info alerts"))}
	return Section("alerts", title,
		g.If(len(l.Open) > 0, alertList(v, "open", l.Open)),
		g.If(len(l.Infos) > 0, More("infos", v.Printed, infos, alertList(v, "info", l.Infos))),
		g.If(len(l.Accepted) > 0, More("accepted", v.Printed, g.Text(strconv.Itoa(len(l.Accepted))+" accepted by the owner"), alertList(v, "accepted", l.Accepted))))
}

// ClearedAlerts are those that cleared, folded away; without any it is nothing.
func ClearedAlerts(v *Showing, l *AlertLists) g.Node {
	if len(l.Cleared) == 0 {
		return nil
	}
	return More("cleared", false, g.Text(boat.Counted(len(l.Cleared), "cleared alert", "cleared alerts")), alertList(v, "cleared", l.Cleared))
}

// alertList lists alerts, like ones as one. name separates the page's lists.
func alertList(v *Showing, name string, list []Alert) g.Node {
	kinds := check.Alike(list, func(a *Alert) (string, check.Severity) { return a.Check, a.Severity })
	return h.Ol(h.Class("alerts"), g.Map(kinds, func(kind []*Alert) g.Node {
		a := kind[0]
		if len(kind) == 1 {
			return a.item(v, h.H3, render.Remedy(a.remedy(), v.Printed))
		}
		remedies := make([][]check.Step, len(kind))
		for i, a := range kind {
			remedies[i] = a.remedy()
		}
		return h.Li(h.Class("alert "+string(a.Severity)),
			h.H3(State(a.Severity), Space, g.Text(check.Briefly(a.Check, len(kind)))),
			Meta(h.Code(g.Text(a.Check))),
			g.Map(check.Distinct(remedies), func(steps []check.Step) g.Node { return render.Remedy(steps, v.Printed) }),
			More(name+"-"+Slug(a.Check)+"-"+string(a.Severity), v.Printed, g.Textf("Evidence of %d alerts", len(kind)),
				h.Ol(h.Class("alerts"), g.Map(kind, func(a *Alert) g.Node { return a.item(v, h.H4, nil) }))))
	}))
}

// ChangeList lists the changes of a class, like findings as one with each of them folded away.
func ChangeList(x render.Changes) g.Node {
	line := func(s check.Severity, words string) g.Node { return g.Group{State(s), Space, Printable(words)} }
	return Plain(g.Map(x.Kinds(), func(k render.Kind) g.Node {
		if len(k.Of) == 0 {
			return h.Li(line(k.Severity, k.Line))
		}
		of := k.Of[0]
		return h.Li(line(k.Severity, k.Line), More("changes-"+Slug(string(of.Class)+"-"+cmp.Or(of.After, of.Before)+"-"+string(k.Severity)), false,
			g.Textf("Each of %d findings", len(k.Of)),
			Plain(g.Map(k.Of, func(c *snapshot.Change) g.Node { return h.Li(Printable(c.Summary)) }))))
	}))
}

func (a *Alert) remedy() []check.Step { return check.StepsOr(a.Steps, a.Remedy) }

// item is an alert under a heading with its remedy and evidence, and what the reader may do about it.
func (a *Alert) item(v *Showing, heading func(...g.Node) g.Node, remedy g.Node) g.Node {
	id := Slug(a.ID)
	return h.Li(h.Class("alert "+string(a.Severity)), h.ID("alert-"+id),
		heading(State(a.Severity), Space, Printable(a.Summary)),
		Meta(g.Text(a.times(v.Report)+" · "), h.Code(g.Text(a.Check))),
		remedy,
		g.If(len(a.Facts)+len(a.About) > 0, h.Ul(h.Class("facts"),
			g.If(len(a.About) > 0, Row("about", Joined(a.About, ", ", func(l Link) g.Node { return l.node(v) }))),
			g.Map(a.Facts, func(f Fact) g.Node { return Row(f.Name, g.Text(f.Text)) }))),
		g.Iff(a.series != nil && (v.Printed || v.Drawn), func() g.Node { return picture(a.series) }),
		g.Iff(v.Acts != nil, func() g.Node { return v.Acts(a) }))
}

// times is when the alert began and what people did about it.
func (a *Alert) times(r *report.Report) string {
	var words string
	switch {
	case a.Passed():
		words = fmt.Sprintf("came and went, %.0f %% of the time, until %s, ", 100*a.Share, render.Stamp(a.Until))
	case a.State == alert.StatusCleared:
		words = "cleared " + render.Ago(r.TakenAt, a.Until) + ", "
	}
	if !a.Since.IsZero() {
		words += "since " + render.Stamp(a.Since)
	}
	if a.Flapping {
		words += " · intermittent"
	}
	if a.State == alert.StatusAcknowledged {
		words += " · acknowledged" + After(" by ", a.AcknowledgedBy)
	}
	if !a.SilencedUntil.IsZero() {
		words += " · silenced until " + render.Stamp(a.SilencedUntil)
	}
	return words + After(" · accepted: ", a.Accepted)
}

// node links to the subject of an alert; on paper it is text.
func (l Link) node(v *Showing) g.Node {
	if v.Printed {
		return g.Text(l.Text)
	}
	return DeviceLink(l.ID, g.Text(l.Text))
}
