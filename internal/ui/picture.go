package ui

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/render"
)

// Places of the picture: the courses above, their difference below.
const (
	pictureWide  = 360.0
	pictureHigh  = 170.0
	pictureLeft  = 52.0
	pictureRight = 356.0
	coursesTop   = 8.0
	coursesEnd   = 96.0
	apartTop     = 112.0
	apartEnd     = 150.0
)

// picture draws the series of an alert: two courses of a value, or one and its limit, and how far they are apart.
func picture(v *Showing, s *check.Series) g.Node {
	if len(s.Lines) != 2 || len(s.Lines[0].At) < 2 {
		return nil
	}
	n := len(s.Lines[0].At)
	as := v.Measures.Of(s.Unit)
	first, second := converted(s.Lines[0].At, as), converted(s.Lines[1].At, as)
	if len(second) == 1 { // a limit
		limit := second[0]
		second = make([]*float64, n)
		for i := range second {
			second[i] = limit
		}
	}
	apart := make([]*float64, min(n, len(second)))
	for i := range apart {
		if first[i] != nil && second[i] != nil {
			d := *second[i] - *first[i]
			if s.Unit == "deg" {
				d = math.Remainder(d, 360)
			}
			apart[i] = &d
		}
	}
	low, high := bounds(first, second)
	least, most := bounds(apart)
	least, most = min(least, 0), max(most, 0)
	span := time.Duration(n-1) * time.Duration(s.StepMS) * time.Millisecond
	name := func(i int) string { return boat.Printable(s.Lines[i].Name) }
	unit := strings.NewReplacer("deg", "°").Replace(as.To)
	words := fmt.Sprintf("%s and %s over %.0f s: between %s and %s %s, their difference between %s and %s %s",
		name(0), name(1), span.Seconds(), figure(low), figure(high), unit, figure(least), figure(most), unit)
	return h.Figure(h.Class("courses"),
		h.SVG(g.Attr("viewBox", fmt.Sprintf("0 0 %g %g", pictureWide, pictureHigh)), h.Role("img"), h.Aria("label", words),
			Drawn("path", "class", "grid", "d", fmt.Sprintf("M%g %gV%gM%g %gV%g", pictureLeft, coursesTop, coursesEnd, pictureLeft, apartTop, apartEnd)),
			Drawn("path", "class", "grid", "d", fmt.Sprintf("M%g %.1fH%g", pictureLeft, height(0, least, most, apartTop, apartEnd), pictureRight)),
			course("first", first, low, high, coursesTop, coursesEnd, s.Unit),
			course("second", second, low, high, coursesTop, coursesEnd, s.Unit),
			course("apart", apart, least, most, apartTop, apartEnd, s.Unit),
			label(pictureLeft-4, coursesTop+8, true, figure(high)), label(pictureLeft-4, coursesEnd, true, figure(low)+" "+unit),
			label(pictureLeft-4, apartTop+8, true, figure(most)), label(pictureLeft-4, apartEnd, true, figure(least)+" "+unit),
			label(pictureLeft, pictureHigh-6, false, render.LocalClock(s.From, v.Zone)),
			label(pictureRight, pictureHigh-6, true, render.LocalClock(s.From.Add(span), v.Zone))),
		h.FigCaption(h.Span(h.Class("first"), g.Text(name(0))), g.Text(", "), h.Span(h.Class("second"), g.Text(name(1))), g.Text(" and "),
			h.Span(h.Class("apart"), g.Text("their difference"))))
}

// converted are the values in another unit of measure.
func converted(at []*float64, as render.Conversion) []*float64 {
	list := make([]*float64, len(at))
	for i, v := range at {
		if v != nil {
			x := *v*as.Scale + as.Offset
			list[i] = &x
		}
	}
	return list
}

// bounds are the least and the greatest of several courses.
func bounds(all ...[]*float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, line := range all {
		for _, v := range line {
			if v != nil {
				low, high = min(low, *v), max(high, *v)
			}
		}
	}
	if low > high {
		return 0, 0
	}
	return low, high
}

// height is where a value is between the top and the end of its part.
func height(v, low, high, top, end float64) float64 {
	if high <= low {
		return (top + end) / 2
	}
	return end - (v-low)/(high-low)*(end-top)
}

// course is a line through the values that are there; a direction that passes north begins anew.
func course(class string, at []*float64, low, high, top, end float64, unit string) g.Node {
	var d strings.Builder
	step := (pictureRight - pictureLeft) / float64(max(1, len(at)-1))
	var before *float64
	for i, v := range at {
		if v != nil {
			move := "L"
			if before == nil || unit == "deg" && math.Abs(*v-*before) > 180 {
				move = "M"
			}
			fmt.Fprintf(&d, "%s%.0f %.1f", move, pictureLeft+step*float64(i), height(*v, low, high, top, end))
		}
		before = v
	}
	return Drawn("path", "class", class, "d", d.String())
}

// label is a text of a drawing that begins at a point, or ends there.
func label(x, y float64, ends bool, text string) g.Node {
	return g.El("text", Drawing("x", fmt.Sprintf("%g", x), "y", fmt.Sprintf("%g", y)), g.If(ends, g.Attr("text-anchor", "end")), g.Text(text))
}

// figure writes a number of a picture, as short as it can be told.
func figure(v float64) string { return strconv.FormatFloat(v, 'g', 4, 64) }
