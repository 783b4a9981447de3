package render

import (
	_ "embed"
	"fmt"
	"io"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/release"
)

//go:embed order.css
var orderStyle string

// OrderHTML writes a work order as one page to print, with boxes to tick. It holds no script and loads nothing.
func OrderHTML(w io.Writer, o *release.Order) error {
	title := strings.TrimSpace("Work order " + boatName(o.Boat))
	page := Page(title, orderStyle,
		h.H1(g.Text(title)),
		orderOrigin(o),
		orderSummary(o),
		h.Div(h.Class("caution"), Lines(
			h.H3(g.Text("Cautions")),
			List(o.Cautions),
			quiet("Common practice. The manufacturer's instructions and local codes take precedence."))),
		h.H2(g.Text("Before starting "), aside(checkedWhen(o))),
		h.Table(h.Class("checks"), Block(g.Map(o.PreChecks, preCheckRow)...)),
		listed(h.H2(g.Text("Bring")), ticks(g.Map(o.Bring, func(x release.Bring) g.Node { return bringTick(o, x) })), len(o.Bring)),
		holdSection(o.HoldPoints()),
		Lines(g.Map(o.Groups, groupSection)...),
		Section("Do not update", remarks(o.NoUpdate)),
		Section("Not reachable here", remarks(o.NotReachable)),
		Section("Deferred", remarks(o.Deferred)),
		listed(h.H2(g.Text("Unresolved problems")), tickTexts(problems(o.Problems)), len(o.Problems)),
		h.Div(h.Class("end"), Lines(
			h.H2(g.Text("At the end")),
			tickTexts(o.Finish),
			h.Div(h.Class("sign"), h.Div(g.Text("Technician")), h.Div(g.Text("Date"))))))
	return WritePage(w, page)
}

// orderOrigin is when the order was made, and from which snapshot.
func orderOrigin(o *release.Order) g.Node {
	text := "From the snapshot"
	if o.Made != 0 {
		text = "Made " + minute(o.Made) + ". " + text
	}
	if o.Snapshot.TakenAt != 0 {
		text += " of " + minute(o.Snapshot.TakenAt)
	}
	return quiet(text + ", " + o.Snapshot.Digest)
}

// orderSummary is how much there is to do.
func orderSummary(o *release.Order) g.Node {
	return h.P(h.B(g.Text(updates(o))), g.Text(" in "+inGroups(o)+": about "),
		h.B(g.Textf("%d min", o.Minutes)), g.Textf(" in parallel, %d min one after another. Battery voltage at least ", o.MinutesAlone),
		h.B(g.Textf("%.1f V", o.SupplyVolts)), g.Text(" throughout."))
}

// preCheckRow is one pre-check. What has not passed is left to be ticked by hand.
func preCheckRow(c release.PreCheck) g.Node {
	mark := tickBox()
	if c.Result == release.Passed {
		mark = h.Span(h.Class("box"), g.Text("x"))
	}
	return h.Tr(h.Class(string(c.Result)), h.Td(mark), h.Td(g.Text(string(c.Result))), h.Td(g.Text(c.Text)))
}

func bringTick(o *release.Order, x release.Bring) g.Node {
	files := g.Map(o.Downloads(x), func(m release.Medium) g.Node { return h.Li(g.Text(download(m))) })
	return tick(g.Text(bringWords(x)), g.If(len(files) > 0, h.Ul(files)))
}

// holdSection is the hold points, with who ticked each and when.
func holdSection(points []release.HoldPoint) g.Node {
	return g.If(len(points) > 0, Lines(h.H2(g.Text("Hold points "), aside("before the first update")),
		h.Table(h.Class("holds"), Block(Columns("tick", "hold point", "reading or photo", "by", "at"),
			Lines(g.Map(points, func(p release.HoldPoint) g.Node {
				return h.Tr(h.Td(tickBox()), h.Td(g.Text(p.Text)), h.Td(g.Text(string(p.Needs))), h.Td(), h.Td())
			})...)))))
}

// groupSection is a group of steps with what must be true before it starts.
func groupSection(x release.Group) g.Node {
	about := fmt.Sprintf("about %d min", x.Minutes)
	if len(x.Steps) > 1 {
		about += "; these may run in parallel"
	}
	return Lines(
		h.H2(g.Textf("Group %d ", x.Number), aside(about)),
		h.P(h.Class("hold"), tickBox(), h.B(g.Text("Hold point.")), g.Text(" "+x.HoldPoint)),
		Lines(g.Map(x.Steps, stepSheet)...))
}

// stepSheet is one step on paper, with fields to fill in.
func stepSheet(s release.Step) g.Node {
	return h.Div(h.Class("step"), Block(
		h.H3(tickBox(), g.Text(s.ID+" "+unitWords(&s.Device))),
		stepFacts(s),
		g.If(s.Chosen != "", quiet(s.Chosen)),
		g.If(s.Note != "", h.P(g.Text(s.Note))),
		Lines(g.Map(s.After, func(d release.DependsOn) g.Node { return quiet("After " + d.Step + ": " + d.Why) })...),
		Lines(g.Map(s.Cautions, func(text string) g.Node { return h.P(h.B(g.Text("Caution:")), g.Text(" "+text)) })...),
		listed(h.H4(g.Text("To restore")), tickTexts(s.Restore), len(s.Restore)),
		listed(h.H4(g.Text("Before")), tickTexts(s.Before), len(s.Before)),
		h.Table(h.Class("record"), Row("version before", "left at", "back at", "version after", "lowest voltage, V")),
		listed(h.H4(g.Text("After")), tickTexts(s.AfterSteps), len(s.AfterSteps))))
}

func stepFacts(s release.Step) g.Node {
	released := ""
	if s.Released != "" {
		released = " of " + s.Released
	}
	names := g.Map([]string{"version", "by", "duration", "battery voltage"}, func(name string) g.Node { return h.Th(g.Text(name)) })
	return h.Table(h.Class("facts"), Lines(h.Tr(names), h.Tr(
		h.Td(h.B(g.Text(s.From+" → "+s.To)), g.Text(released)),
		h.Td(g.Text(MediumFile(s.Medium))),
		h.Td(g.Textf("%d min", s.Minutes)),
		h.Td(g.Textf("at least %.1f V", s.SupplyVolts)))))
}

// listed is a list of n things under its heading; nil for none.
func listed(heading, list g.Node, n int) g.Node { return g.If(n > 0, Lines(heading, list)) }

func ticks(items []g.Node) g.Node { return h.Ul(h.Class("ticks"), Block(items...)) }

func tickTexts(texts []string) g.Node {
	return ticks(g.Map(texts, func(text string) g.Node { return tick(g.Text(text)) }))
}

func tick(what ...g.Node) g.Node { return h.Li(tickBox(), g.Group(what)) }

// tickBox is a box to tick.
func tickBox() g.Node { return h.Span(h.Class("box"), g.Raw("&nbsp;")) }

func quiet(text string) g.Node { return h.P(h.Class("quiet"), g.Text(text)) }

func aside(text string) g.Node { return h.Span(h.Class("quiet"), g.Text(text)) }
