package web

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
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

// intervalPlot draws how steadily a message comes: shortest to longest as a line, the usual spread as a box, the mean as a
// bar, and the published interval, 0 for none, as a diamond. All are in milliseconds.
func intervalPlot(in *boat.Interval, published float64) template.HTML {
	if in == nil {
		return ""
	}
	x := func(ms float64) float64 {
		d := math.Log10(max(ms, plotFrom)/plotFrom) / plotDecade
		return math.Round((plotEdge+min(d, 1)*(plotWidth-2*plotEdge))*10) / 10
	}
	var b strings.Builder
	words := fmt.Sprintf("mean %s, from %s to %s", millis(in.Mean), millis(in.Min), millis(in.Max))
	if published > 0 {
		words += ", published " + millis(published)
	}
	fmt.Fprintf(&b, `<svg class="interval" viewBox="0 0 %d %d" role="img" aria-label="%s"><path class="grid" d="`, plotWidth, plotHeight, words)
	for _, ms := range []float64{10, 100, 1000, 10_000, 100_000} {
		fmt.Fprintf(&b, "M%g 3v16", x(ms))
	}
	low, high := x(in.Mean-in.SD), x(in.Mean+in.SD)
	fmt.Fprintf(&b, `"/><path class="span" d="M%g %gH%g"/><rect class="box" x="%g" y="6" width="%g" height="10"/><path class="mean" d="M%g 3v16"/>`,
		x(in.Min), plotMiddle, max(x(in.Max), x(in.Min)+1), low, max(high-low, 1), x(in.Mean))
	if published > 0 {
		fmt.Fprintf(&b, `<path class="nominal" d="m%g 6 5 5-5 5-5-5z"/>`, x(published))
	}
	b.WriteString("</svg>")
	return template.HTML(b.String())
}

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

// loadPlot draws the load of the last hours, minute by minute, with the limits at which the network counts as busy and as full.
func loadPlot(name string, list []moment, busy, full float64) template.HTML {
	if len(list) == 0 {
		return ""
	}
	first, last := list[0].At, list[len(list)-1].At
	span := max(last.Sub(first)+time.Minute, 10*time.Minute)
	from := last.Add(time.Minute - span)
	low, high := 1.0, 0.0
	const left, right, top, bottom = 30.0, 4.0, 8.0, 18.0
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
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="load" viewBox="0 0 %g %g" role="img" aria-label="Load of %s from %s to %s: between %s and %s, at last %s">`,
		minuteWide, minuteHigh, template.HTMLEscapeString(boat.Printable(name)), clockTime(first), clockTime(last), Percent(low), Percent(high), Percent(list[len(list)-1].Load))
	fmt.Fprintf(&b, `<path class="grid" d="M%g %gH%gM%g %gH%g"/>`, left, y(0), minuteWide-right, left, y(1), minuteWide-right)
	fmt.Fprintf(&b, `<path class="area" d="%s"/>`, area.String())
	fmt.Fprintf(&b, `<path class="limit" d="M%g %gH%gM%g %gH%g"/>`, left, y(busy), minuteWide-right, left, y(full), minuteWide-right)
	if faults.Len() > 0 {
		fmt.Fprintf(&b, `<path class="faults" d="%s"/>`, faults.String())
	}
	marks := []float64{0, busy, full}
	if full < 0.9 { // else the two would stand on each other
		marks = append(marks, 1)
	}
	for _, p := range marks {
		fmt.Fprintf(&b, `<text x="%g" y="%g" text-anchor="end">%.0f%%</text>`, left-4, y(p)+3, p*100)
	}
	fmt.Fprintf(&b, `<text x="%g" y="%g">%s</text><text x="%g" y="%g" text-anchor="end">%s</text></svg>`,
		left, minuteHigh-5, clockTime(from), minuteWide-right, minuteHigh-5, clockTime(last.Add(time.Minute)))
	return template.HTML(b.String())
}
