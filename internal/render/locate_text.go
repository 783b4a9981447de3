package render

import (
	"fmt"
	"io"
	"strings"

	"muster/internal/boat"
	"muster/internal/locate"
)

// LocateText prints where a fault is for a terminal.
func LocateText(w io.Writer, r *locate.Result, style TextStyle) error {
	t := &textReport{TextStyle: style, w: w}
	put := func(indent int, format string, args ...any) {
		t.line(indent, boat.Printable(fmt.Sprintf(format, args...)))
	}
	section := func(title string) { t.line(0, ""); t.line(0, title) }
	if of := strings.Trim(r.Boat+", "+r.Network, ", "); of != "" {
		put(0, "%s", of)
	}
	if len(r.Misfit) > 0 {
		section("The layout does not fit")
		for _, line := range r.Misfit {
			put(2, "%s", line)
		}
	}
	if r.Needs == "" {
		section("Where the fault is")
		for _, p := range r.Places {
			put(2, "%3.0f %%  %s: %s", 100*p.Probability, p.Part, p.Fault)
			for _, line := range p.Reasons {
				put(9, "%s", line)
			}
		}
		put(2, "%3.0f %%  no fault in the layout", 100*r.NoFault)
		put(2, "%3.0f %%  another cause", 100*r.Other)
		put(2, "Pairs of faults that were left out have %.1f %% at most.", 100*r.LeftOut)
	}
	if len(r.Together) > 0 {
		section("Not separated yet; check in this order")
		for _, group := range r.Together {
			put(2, "%s", strings.Join(group, ", "))
		}
	}
	if len(r.Groups) > 0 {
		section("Units that failed together")
		for _, group := range r.Groups {
			put(2, "%s", strings.Join(group, ", "))
		}
	}
	if len(r.Readings) > 0 {
		section("Readings")
	}
	for _, x := range r.Readings {
		if x.Contradicts {
			x.Reading += " (contradicts all the rest: repeat it)"
		}
		put(2, "%s", x.Reading)
	}
	if len(r.Next) > 0 {
		section("Measure or check next")
	}
	for i, n := range r.Next {
		put(2, "%d. %s: %s (%.0f min, %.1f bit)", i+1, n.Do, n.At, n.Minutes, n.Gain)
		put(5, "%s", n.Caution)
		put(5, "Then add --reading '%s'", n.Reading)
	}
	if r.Needs != "" {
		section(r.Needs)
	}
	return t.err
}
