package release

import (
	"bytes"
	_ "embed"
	"fmt"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/event"
	"muster/internal/paper"
)

//go:embed order.css
var orderStyle string

// HTML is the order as one page to print, with boxes to tick. It holds no script and loads nothing.
func (o *Order) HTML() ([]byte, error) {
	title := strings.TrimSpace("Work order " + o.boatName())
	var b bytes.Buffer
	err := paper.Write(&b, paper.Page(title, orderStyle,
		h.H1(g.Text(title)),
		o.origin(),
		o.summary(),
		h.Div(h.Class("caution"), paper.Lines(
			h.H3(g.Text("Cautions")),
			paper.List(o.Cautions),
			quiet("Common practice; the maker's instructions and local codes go first."))),
		h.H2(g.Text("Before starting "), aside(o.checkedWhen())),
		h.Table(h.Class("checks"), paper.Block(g.Map(o.PreChecks, PreCheck.row)...)),
		section(h.H2(g.Text("Bring")), ticks(g.Map(o.Bring, Bring.tick)), len(o.Bring)),
		paper.Lines(g.Map(o.Groups, Group.section)...),
		section(h.H2(g.Text("Left alone")), paper.List(told(o.LeftAlone)), len(o.LeftAlone)),
		section(h.H2(g.Text("Not reachable here")), paper.List(told(o.NotReachable)), len(o.NotReachable)),
		section(h.H2(g.Text("Kept back")), paper.List(told(o.KeptBack)), len(o.KeptBack)),
		section(h.H2(g.Text("To be settled")), tickTexts(told(o.Problems)), len(o.Problems)),
		h.Div(h.Class("end"), paper.Lines(
			h.H2(g.Text("At the end")),
			tickTexts(o.Finish),
			h.Div(h.Class("sign"), h.Div(g.Text("Technician")), h.Div(g.Text("Date")))))))
	if err != nil {
		return nil, fmt.Errorf("write work order: %w", err)
	}
	return b.Bytes(), nil
}

// origin says when the order was made, and from which snapshot.
func (o *Order) origin() g.Node {
	text := "From the snapshot"
	if o.Made != 0 {
		text = "Made " + stamped(o.Made) + ". " + text
	}
	if o.Snapshot.TakenAt != 0 {
		text += " of " + stamped(o.Snapshot.TakenAt)
	}
	return quiet(text + ", " + o.Snapshot.Digest)
}

// summary says how much there is to do.
func (o *Order) summary() g.Node {
	return h.P(h.B(g.Text(o.updates())), g.Text(" in "+o.inGroups()+": about "),
		h.B(g.Textf("%d min", o.Minutes)), g.Textf(" side by side, %d min one by one. Supply at ", o.MinutesAlone),
		h.B(g.Textf("%.1f V", o.SupplyVolts)), g.Text(" or more throughout."))
}

// row is one pre-check. What has not passed is left to be ticked by hand.
func (c PreCheck) row() g.Node {
	mark := tickBox()
	if c.Result == Passed {
		mark = h.Span(h.Class("box"), g.Text("x"))
	}
	return h.Tr(h.Class(string(c.Result)), h.Td(mark), h.Td(g.Text(string(c.Result))), h.Td(g.Text(c.Text)))
}

func (x Bring) tick() g.Node {
	files := g.Map(x.Files, func(file string) g.Node { return h.Li(g.Text("file " + file)) })
	return tick(g.Text(x.what()), g.If(len(files) > 0, h.Ul(files)))
}

// section is a group of steps with what must be true before it starts.
func (x Group) section() g.Node {
	about := fmt.Sprintf("about %d min", x.Minutes)
	if len(x.Steps) > 1 {
		about += "; these may run side by side"
	}
	return paper.Lines(
		h.H2(g.Textf("Group %d ", x.Number), aside(about)),
		h.P(h.Class("hold"), tickBox(), h.B(g.Text("Hold.")), g.Text(" "+x.Hold)),
		paper.Lines(g.Map(x.Steps, Step.sheet)...))
}

// sheet is what the technician needs for one step, with room for what he notes.
func (s Step) sheet() g.Node {
	return h.Div(h.Class("step"), paper.Block(
		h.H3(tickBox(), g.Text(s.ID+" "+s.Device.shown())),
		s.facts(),
		g.If(s.Note != "", h.P(g.Text(s.Note))),
		paper.Lines(g.Map(s.After, func(d DependsOn) g.Node { return quiet("After " + d.Step + ": " + d.Why) })...),
		paper.Lines(g.Map(s.Cautions, func(text string) g.Node { return h.P(h.B(g.Text("Caution:")), g.Text(" "+text)) })...),
		section(h.H4(g.Text("Before")), tickTexts(s.Before), len(s.Before)),
		h.Table(h.Class("record"), paper.Row("version before", "left at", "back at", "version after", "lowest supply, V")),
		section(h.H4(g.Text("After")), tickTexts(s.AfterSteps), len(s.AfterSteps))))
}

func (s Step) facts() g.Node {
	released := ""
	if s.Released != "" {
		released = " of " + s.Released
	}
	names := g.Map([]string{"version", "by", "takes", "supply"}, func(name string) g.Node { return h.Th(g.Text(name)) })
	return h.Table(h.Class("facts"), paper.Lines(h.Tr(names), h.Tr(
		h.Td(h.B(g.Text(s.From+" → "+s.To)), g.Text(released)),
		h.Td(g.Text(s.Medium.withFile())),
		h.Td(g.Textf("%d min", s.Minutes)),
		h.Td(g.Textf("at least %.1f V", s.SupplyVolts)))))
}

// section is a list of n things under its heading; nil for none.
func section(heading, list g.Node, n int) g.Node { return g.If(n > 0, paper.Lines(heading, list)) }

func ticks(items []g.Node) g.Node { return h.Ul(h.Class("ticks"), paper.Block(items...)) }

func tickTexts(texts []string) g.Node {
	return ticks(g.Map(texts, func(text string) g.Node { return tick(g.Text(text)) }))
}

func tick(what ...g.Node) g.Node { return h.Li(tickBox(), g.Group(what)) }

// tickBox is a box to tick on paper.
func tickBox() g.Node { return h.Span(h.Class("box"), g.Raw("&nbsp;")) }

func quiet(text string) g.Node { return h.P(h.Class("quiet"), g.Text(text)) }

func aside(text string) g.Node { return h.Span(h.Class("quiet"), g.Text(text)) }

// stamped is a moment as it is printed.
func stamped(t event.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }
