package render

import (
	"fmt"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/check"
)

// RemedyLabel is what remedies are called everywhere.
const RemedyLabel = "Remedy"

// RemedyLines are the steps of a remedy as numbered lines, each with its safety class: "1. [isolate] Isolate power …".
func RemedyLines(steps []check.Step) []string {
	lines := make([]string, len(steps))
	for i, s := range steps {
		class := ""
		if s.Class != "" {
			class = "[" + string(s.Class) + "] "
		}
		lines[i] = fmt.Sprintf("%d. %s%s", i+1, class, boat.Printable(s.Text))
	}
	return lines
}

// Remedy is the steps of a remedy as a numbered list, each with its safety class; nil for none. On paper each has a box to tick.
func Remedy(steps []check.Step, paper bool) g.Node {
	return g.Iff(len(steps) > 0, func() g.Node {
		return h.Div(h.Class("remedy"), h.B(g.Text(RemedyLabel+":")), h.Ol(g.Map(steps, func(s check.Step) g.Node {
			return h.Li(g.If(paper, tickBox()), g.If(s.Class != "", g.Group{h.B(g.Text(string(s.Class))), g.Text(" ")}), g.Text(boat.Printable(s.Text)))
		})))
	})
}
