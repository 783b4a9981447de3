package pages

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/ui"
)

// The interval plot's axis is logarithmic, the same for every message, so that rows can be read against each other.
const (
	plotWidth  = 200
	plotFrom   = 10.0 // ms
	plotDecade = 4.0  // to 100 s
	plotEdge   = 4.0  // free space at both ends
	plotMiddle = 11.0 // where the line is
	plotHeight = 22
	minuteWide = 360.0 // width of the load plot
	minuteHigh = 120.0
)

// intervalPlot draws the intervals of a message: shortest to longest as a line, the usual spread as a box, the mean as a
// bar, and the published interval, 0 for none, as a diamond. All are in milliseconds.
func intervalPlot(in *boat.Interval, published float64) g.Node {
	if in == nil {
		return nil
	}
	x := func(ms float64) float64 {
		d := math.Log10(max(ms, plotFrom)/plotFrom) / plotDecade
		return math.Round((plotEdge+min(d, 1)*(plotWidth-2*plotEdge))*10) / 10
	}
	words := fmt.Sprintf("mean %s, from %s to %s", millis(in.Mean), millis(in.Min), millis(in.Max))
	var nominal g.Node
	if published > 0 {
		words += ", published " + millis(published)
		nominal = ui.Drawn("path", "class", "nominal", "d", fmt.Sprintf("m%g 6 5 5-5 5-5-5z", x(published)))
	}
	var grid strings.Builder
	for _, ms := range []float64{10, 100, 1000, 10_000, 100_000} {
		fmt.Fprintf(&grid, "M%g 3v16", x(ms))
	}
	low, high := x(in.Mean-in.SD), x(in.Mean+in.SD)
	return plot("interval", plotWidth, plotHeight, words,
		ui.Drawn("path", "class", "grid", "d", grid.String()),
		ui.Drawn("path", "class", "span", "d", fmt.Sprintf("M%g %gH%g", x(in.Min), plotMiddle, max(x(in.Max), x(in.Min)+1))),
		ui.Drawn("rect", "class", "box", "x", digits(low), "y", "6", "width", digits(max(high-low, 1)), "height", "10"),
		ui.Drawn("path", "class", "mean", "d", fmt.Sprintf("M%g 3v16", x(in.Mean))),
		nominal)
}

// plot is a drawing with its content in words.
func plot(class string, width, height float64, words string, parts ...g.Node) g.Node {
	return h.SVG(h.Class(class), g.Attr("viewBox", fmt.Sprintf("0 0 %g %g", width, height)), h.Role("img"), h.Aria("label", words), g.Group(parts))
}

// digits writes a number of a drawing.
func digits(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// millis writes a span given in milliseconds: "98 ms", "1.02 s".
func millis(ms float64) string {
	switch {
	case ms < 1:
		return fmt.Sprintf("%.2g ms", ms)
	case ms < 999.5:
		return fmt.Sprintf("%.0f ms", ms)
	case ms < 100_000:
		return fmt.Sprintf("%.3g s", ms/1000)
	}
	return fmt.Sprintf("%.0f s", ms/1000)
}

// loadPlot draws the load of the last hours, minute by minute, with the two limits of bus load: high and full.
func loadPlot(name string, list []api.Minute, busy, full float64) g.Node {
	if len(list) == 0 {
		return nil
	}
	first, last := list[0].At, list[len(list)-1].At
	span := max(last.Sub(first)+time.Minute, 10*time.Minute)
	from := last.Add(time.Minute - span)
	low, high := 1.0, 0.0
	const left, right, top, bottom = 36.0, 4.0, 8.0, 18.0
	x := func(t event.Time) float64 {
		return left + float64(t.Sub(from))/float64(span)*(minuteWide-left-right)
	}
	y := func(load float64) float64 { return top + (1-min(load, 1))*(minuteHigh-top-bottom) }
	var area, faults strings.Builder
	for _, m := range list {
		low, high = min(low, m.Load), max(high, m.Load)
		fmt.Fprintf(&area, "M%.1f %gV%.1fH%.1fV%g", x(m.At), y(0), y(m.Load), x(m.At.Add(time.Minute)), y(0))
		if m.Faults > 0 {
			fmt.Fprintf(&faults, "M%.1f %gl3 -5h-6z", (x(m.At)+x(m.At.Add(time.Minute)))/2, y(0)-1)
		}
	}
	across := func(class string, a, b float64) g.Node {
		return ui.Drawn("path", "class", class, "d", fmt.Sprintf("M%g %gH%gM%g %gH%g", left, y(a), minuteWide-right, left, y(b), minuteWide-right))
	}
	marks := []float64{0}
	for _, p := range []float64{full, busy, 1} {
		if !slices.ContainsFunc(marks, func(o float64) bool { return math.Abs(p-o) < 0.1 }) { // else the two would overlap
			marks = append(marks, p)
		}
	}
	slices.Sort(marks)
	words := fmt.Sprintf("Load of %s from %s to %s: between %s and %s, latest %s",
		boat.Printable(name), clockTime(first), clockTime(last), render.Percent(low), render.Percent(high),
		render.Percent(list[len(list)-1].Load))
	return plot("load", minuteWide, minuteHigh, words,
		across("grid", 0, 1),
		ui.Drawn("path", "class", "area", "d", area.String()),
		across("limit", busy, full),
		g.If(faults.Len() > 0, ui.Drawn("path", "class", "faults", "d", faults.String())),
		g.Map(marks, func(p float64) g.Node { return plotText(left-4, y(p)+3, true, fmt.Sprintf("%.0f %%", p*100)) }),
		plotText(left, minuteHigh-5, false, clockTime(from)),
		plotText(minuteWide-right, minuteHigh-5, true, clockTime(last.Add(time.Minute))))
}

// plotText is a text of a plot that begins at a point, or ends there.
func plotText(x, y float64, ends bool, text string) g.Node {
	return g.El("text", ui.Drawing("x", digits(x), "y", digits(y)), g.If(ends, g.Attr("text-anchor", "end")), g.Text(text))
}

// clockTime is the time of day in UTC, to the minute.
func clockTime(t event.Time) string {
	if t.IsZero() {
		return "–"
	}
	return t.UTC().Format("15:04")
}
