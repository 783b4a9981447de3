package ui

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
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
	Report   *report.Report
	Zone     *time.Location                           // of the boat
	Measures render.Measures                          // that the reader chose
	Printed  bool                                     // it is self-contained: no links, no forms, nothing folded away
	Acts     func(row string, alerts []*Alert) g.Node // what the reader may do about the alerts of a row; nil for nothing
	Opened   string                                   // id of the row that is open
	Help     bool                                     // this server has pages of help
}

// Moment is a moment as the boat's clock showed it; the exact UTC is its title.
func (s *Showing) Moment(t event.Time) g.Node { return momentAs(t, render.Local(t, s.Zone)) }

// Clock is the time of day of a moment as the boat's clock showed it; the exact UTC is its title.
func (s *Showing) Clock(t event.Time) g.Node { return momentAs(t, render.LocalClock(t, s.Zone)) }

// Ago is how long ago a moment was, and the moment itself when that is an hour or more; the exact UTC is its title.
func (s *Showing) Ago(t event.Time) g.Node {
	if s.Printed || s.Report.TakenAt.Sub(t) >= time.Hour {
		return s.Moment(t)
	}
	return momentAs(t, render.Ago(s.Report.TakenAt, t))
}

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
type Fact struct {
	Name, Text string
	apart      bool // it is a difference of temperatures
}

// differences are the keys of evidence whose values are differences.
var differences = []string{"difference", "tolerance", "others_within"}

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
				s.Facts = append(s.Facts, Fact{f.Name, f.Text, slices.Contains(differences, f.Key) && strings.Contains(f.Text, "°C")})
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

// AlertLists are alerts as a page shows them: only Open is not folded away.
type AlertLists struct {
	Open     []Alert // warnings and worse
	Infos    []Alert // of severity info
	Quiet    []Alert // open, and acknowledged or silenced
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
	case a.Quiet():
		l.Quiet = append(l.Quiet, a)
	case a.Severity.Rank() > check.Info.Rank():
		l.Open = append(l.Open, a)
	default:
		l.Infos = append(l.Infos, a)
	}
}

// AlertSection shows the alerts that have not cleared; without any it is nothing. more comes below them.
func AlertSection(v *Showing, l *AlertLists, title string, more ...g.Node) g.Node {
	if len(l.Open)+len(l.Infos)+len(l.Quiet)+len(l.Accepted) == 0 {
		return nil
	}
	infos := g.Group{Mark("info"), Space, g.Text(boat.Counted(len(l.Infos), "info alert", "info alerts"))}
	return Section("alerts", title,
		g.If(len(l.Open) > 0, alertRows(v, "open", l.Open)),
		g.If(len(l.Infos) > 0, More("infos", v.opens("infos"), infos, alertRows(v, "info", l.Infos))),
		g.If(len(l.Quiet) > 0, More("quiet", v.opens("quiet"), g.Text(quietWords(l.Quiet)), alertRows(v, "quiet", l.Quiet))),
		g.If(len(l.Accepted) > 0, More("accepted", v.Printed, g.Text(strconv.Itoa(len(l.Accepted))+" accepted by the owner"),
			alertRows(v, "accepted", l.Accepted))),
		g.Group(more))
}

// opens reports whether a list that is folded away by itself is open, for a row of it.
func (v *Showing) opens(list string) bool { return v.Printed || strings.HasPrefix(v.Opened, list+"-") }

// quietWords count what people have seen: "1 acknowledged · 10 silenced".
func quietWords(list []Alert) string {
	acknowledged := 0
	for i := range list {
		if list[i].State == alert.StatusAcknowledged {
			acknowledged++
		}
	}
	var words []string
	if acknowledged > 0 {
		words = append(words, strconv.Itoa(acknowledged)+" acknowledged")
	}
	if n := len(list) - acknowledged; n > 0 {
		words = append(words, strconv.Itoa(n)+" silenced")
	}
	return strings.Join(words, " · ")
}

// ClearedAlerts are those that cleared, folded away; without any it is nothing.
func ClearedAlerts(v *Showing, l *AlertLists) g.Node {
	if len(l.Cleared) == 0 {
		return nil
	}
	return More("cleared", false, g.Text(boat.Counted(len(l.Cleared), "cleared alert", "cleared alerts")), alertRows(v, "cleared", l.Cleared))
}

// alertRows lists alerts, like ones in one row. name separates the page's lists.
func alertRows(v *Showing, name string, list []Alert) g.Node {
	kinds := check.Alike(list, func(a *Alert) (string, check.Severity) { return a.Check, a.Severity })
	return h.Ol(h.Class("alerts"), g.Map(kinds, func(kind []*Alert) g.Node { return alertRow(v, name, kind) }))
}

// alertRow is one alert, or several of one kind: severity, what, whom, since when and what people did about it; it opens to the evidence, the
// remedy and what the reader may do.
func alertRow(v *Showing, list string, kind []*Alert) g.Node {
	a := kind[0]
	id, what := list+"-"+Slug(a.ID), boat.Printable(a.Summary)
	remedies := make([][]check.Step, len(kind))
	since := a.Since
	for i, a := range kind {
		remedies[i] = check.StepsOr(a.Steps, a.Remedy)
		since = min(since, a.Since)
	}
	parts := g.Group{a.evidence(v)}
	if len(kind) > 1 {
		id, what = list+"-"+Slug(a.Check)+"-"+string(a.Severity), check.Briefly(a.Check, len(kind))
		parts = g.Group{h.Ol(h.Class("members"), g.Map(kind, func(a *Alert) g.Node {
			return h.Li(h.ID("alert-"+Slug(a.ID)),
				g.If(v.Acts != nil, memberTick(id, a)),
				h.H4(Printable(a.Summary)), a.evidence(v))
		}))}
	}
	return h.Li(h.Class("alert "+string(a.Severity)), h.ID("alert-"+id),
		g.If(v.Acts != nil && a.State != alert.StatusCleared, rowTick(kind, what)),
		h.Details(h.ID(id), g.If(v.Printed || v.Opened == id, g.Attr("open")),
			h.Summary(State(a.Severity), Space,
				h.Span(h.Class("what"), g.Text(what)), Space,
				h.Span(h.Class("whom"), g.Text(whom(v.Report, kind))), Space,
				h.Span(h.Class("since"), g.If(!since.IsZero(), v.Ago(since))), Space,
				h.Span(h.Class("status"), g.Text(v.status(kind)))),
			g.Map(check.Distinct(remedies), func(steps []check.Step) g.Node { return render.Remedy(steps, v.Printed) }),
			parts,
			Meta(g.Text("Check "), v.checkName(a.Check)),
			g.Iff(v.Acts != nil && a.State != alert.StatusCleared, func() g.Node { return v.Acts(id, kind) })))
}

// checkName is the id of a check, with a link to its page of help where there is one.
func (v *Showing) checkName(id string) g.Node {
	name := h.Code(g.Text(id))
	if !v.Help || v.Printed {
		return name
	}
	return h.A(h.Href("/help/checks/"+id), name)
}

// Bulk is the id of the form that the ticks of rows belong to.
const Bulk = "bulk"

// rowTick chooses the alerts of a row, one id a line.
func rowTick(kind []*Alert, what string) g.Node {
	ids := make([]string, len(kind))
	for i, a := range kind {
		ids[i] = a.ID
	}
	return h.Label(h.Class("pick"), h.Input(h.Type("checkbox"), h.Name("alert"), h.Value(strings.Join(ids, "\n")), g.Attr("form", Bulk)), Unseen("Choose: "+what))
}

// memberTick chooses one alert of several in a row.
func memberTick(row string, a *Alert) g.Node {
	return h.Label(h.Class("pick"), h.Input(h.Type("checkbox"), h.Name("alert"), h.Value(a.ID), g.Attr("form", ActForm(row)), h.Checked()),
		Unseen("Choose: "+boat.Printable(a.Summary)))
}

// ActForm is the id of the form of a row.
func ActForm(row string) string { return "act-" + row }

// whom names what the alerts of a row are about.
func whom(r *report.Report, kind []*Alert) string {
	var titles []string
	for _, a := range kind {
		for _, l := range a.About {
			title := l.Text
			if d := r.Device(l.ID); d != nil {
				title = render.DeviceTitle(d)
			}
			titles = append(titles, title)
		}
	}
	slices.Sort(titles)
	switch kinds := slices.Compact(slices.Clone(titles)); {
	case len(titles) == 0:
		return boat.Printable(kind[0].Network)
	case len(titles) == 1:
		return titles[0]
	case len(kinds) == 1:
		return strconv.Itoa(len(titles)) + " × " + titles[0]
	default:
		return boat.Counted(len(titles), "unit", "units")
	}
}

// status is what people did about the alerts of a row, and how they come and go.
func (v *Showing) status(kind []*Alert) string {
	a, alike := kind[0], true
	for _, o := range kind {
		alike = alike && o.State == a.State && o.SilencedUntil == a.SilencedUntil && o.AcknowledgedBy == a.AcknowledgedBy && o.Accepted == a.Accepted
	}
	switch {
	case !alike:
		return "several states"
	case a.Passed():
		return fmt.Sprintf("came and went, %.0f %% of the time", 100*a.Share)
	case a.State == alert.StatusCleared:
		return "cleared " + render.Ago(v.Report.TakenAt, a.Until)
	}
	return v.quietness(a) + After(" · accepted: ", a.Accepted)
}

// quietness is the state of an open alert.
func (v *Showing) quietness(a *Alert) string {
	words := "open"
	if a.State == alert.StatusAcknowledged {
		words = "acknowledged" + After(" by ", a.AcknowledgedBy)
	}
	if !a.SilencedUntil.IsZero() {
		words += " · silenced until " + render.Local(a.SilencedUntil, v.Zone)
	}
	if a.Flapping {
		words += " · intermittent"
	}
	return words
}

// evidence is what an alert is about, since when, its values and its picture.
func (a *Alert) evidence(v *Showing) g.Node {
	return g.Group{
		h.Ul(h.Class("facts"),
			g.If(len(a.About) > 0, Row("about", Joined(a.About, ", ", func(l Link) g.Node { return l.node(v) }))),
			g.If(!a.Since.IsZero(), Row("since", v.Moment(a.Since))),
			g.If(a.State == alert.StatusCleared, Row("until", v.Moment(a.Until))),
			g.Map(a.Facts, func(f Fact) g.Node { return Row(f.Name, g.If(f.apart, h.Data("apart", "")), g.Text(f.Text)) })),
		g.Iff(a.series != nil, func() g.Node { return picture(v, a.series) }),
	}
}

// node links to the subject of an alert; on paper it is text.
func (l Link) node(v *Showing) g.Node {
	if v.Printed {
		return g.Text(l.Text)
	}
	return DeviceLink(l.ID, g.Text(l.Text))
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
