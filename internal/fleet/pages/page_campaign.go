package pages

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/fleet/hub"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/ui"
)

// campaignsPage lists the campaigns.
func (s *Server) campaignsPage(*http.Request) (string, g.Node, error) {
	const title = "Campaigns"
	if s.opt.Sheets() == nil {
		return title, g.Group{h.H1(g.Text(title)),
			h.P(h.Class("empty"), g.Text("The hub has no release sheets: add them by "), h.Code(g.Text("--sheets DIR")), g.Text("."))}, nil
	}
	rows := g.Map(s.campaigns(s.boats()), Campaign.row)
	return title, g.Group{
		h.H1(g.Text(title)),
		ui.Meta(g.Text("One campaign for each model of the release sheets that is on a boat. "), h.A(h.Href("/week"), g.Text("The week")), g.Text(" lists what to bring.")),
		h.Table(h.THead(render.Columns("Model", "Current", "Behind", "Unknown", "Up to date")),
			h.TBody(ui.OrElse(rows, h.Tr(h.Td(h.ColSpan("5"), h.Class("empty"), g.Text("No boat has a model of the sheets.")))))),
	}, nil
}

func (c Campaign) row() g.Node {
	current := h.Small(g.Text("none: withdrawn"))
	if c.Current != "" {
		current = ui.Printable(c.Current)
	}
	behind := ui.StateAs("verified", "0")
	if n := c.Counts.Behind; n > 0 {
		behind = g.Group{ui.StateAs("warning", fmt.Sprint(n)), ui.Small("on " + boat.Counted(c.Boats, "boat", "boats"))}
	}
	return h.Tr(h.Th(h.Scope("row"), h.A(h.Href("/campaigns/"+url.PathEscape(c.Model)), ui.Printable(c.Model))), h.Td(current),
		h.Td(behind), h.Td(ui.Number(c.Counts.Unknown)), h.Td(ui.Number(c.Counts.Current)))
}

// shownDevices bounds the devices that a campaign's page lists.
const shownDevices = 500

// campaignPage is one campaign.
func (s *Server) campaignPage(r *http.Request) (string, g.Node, error) {
	c := s.campaign(s.boats(), r.PathValue("model"))
	if c == nil {
		return "", nil, fmt.Errorf("campaign %q: %w: no sheet has this model, or no boat has it", r.PathValue("model"), hub.ErrNotFound)
	}
	today := s.opt.Now().UTC().Format(time.DateOnly)
	days := slices.DeleteFunc(s.days(r.Context(), c.Model), func(d CampaignDay) bool { return d.Day == today })
	days = append(days, CampaignDay{today, c.Counts})
	left := max(0, len(c.Devices)-shownDevices)
	medium := boat.Printable(c.Medium)
	if c.Minutes > 0 {
		medium += fmt.Sprintf(" · %d min each", c.Minutes)
	}
	return boat.Printable(c.Model), g.Group{
		h.P(h.Class("crumb"), h.A(h.Href("/campaigns"), g.Text("Campaigns"))),
		h.H1(g.Text(boat.Printable(c.Model) + ui.After(" to ", c.Current))),
		sentence(fmt.Sprintf("%s behind on %s, %d up to date, %d unknown.", boat.Counted(c.Counts.Behind, "unit", "units"), boat.Counted(c.Boats, "boat", "boats"),
			c.Counts.Current, c.Counts.Unknown)),
		ui.Meta(g.Text(medium)),
		ui.Section("days", "Day by day", progress(days)),
		ui.Section("devices", "Units",
			h.Ul(h.Class("hits"), g.Map(c.Devices[:len(c.Devices)-left], CampaignDevice.row)),
			g.If(left > 0, ui.Meta(g.Textf("And %d more: the API lists all.", left)))),
	}, nil
}

func (d CampaignDevice) row() g.Node {
	about := strings.TrimSpace(numbered(d.Device.Serial) + ui.After(" ", d.Reason))
	return h.Li(where(d.Boat, d.Name), g.Text(" "),
		h.Span(unitLink(d.Boat, &d.Device), g.Text(" "), h.Small(g.Text(about))), g.Text(" "),
		h.Span(version(d.Device.Software)), g.Text(" "),
		ui.StateAs(standingMark(d.Standing), render.KeyWords(string(d.Standing))))
}

// standingMark is the state whose symbol and colour a standing has.
func standingMark(s release.Standing) string {
	switch s {
	case release.StandingBehind, release.StandingWithdrawn:
		return "warning"
	case release.StandingCurrent, release.StandingAhead:
		return "verified"
	}
	return "unknown"
}

// progress draws how many units are behind, unknown and current on each of the latest days, with axes, and the numbers in a sentence.
func progress(days []CampaignDay) g.Node {
	const most, left, width, high, below = 120, 34, 480, 140, 20
	days = days[max(0, len(days)-most):]
	top := 1
	for _, d := range days {
		top = max(top, d.Behind+d.Unknown+d.Current)
	}
	step := top/4 + 1 // between the lines across
	first, last := days[0], days[len(days)-1]
	words := fmt.Sprintf("Behind on %s: %d.", last.Day, last.Behind)
	if len(days) > 1 {
		words = fmt.Sprintf("Behind on %s: %d, on %s: %d.", first.Day, first.Behind, last.Day, last.Behind)
	}
	wide := min(24, float64(width-left)/float64(len(days)))
	tenth := func(v float64) string { return fmt.Sprintf("%.1f", v) }
	at := func(n int) float64 { return 8 + (high-8)*(1-float64(n)/float64(top)) }
	label := func(x, y float64, anchor, text string) g.Node {
		return g.El("text", g.Attr("x", tenth(x)), g.Attr("y", tenth(y)), g.Attr("text-anchor", anchor), g.Text(text))
	}
	var drawn g.Group
	for n := 0; n <= top; n += step {
		drawn = append(drawn, g.El("line", g.Attr("x1", fmt.Sprint(left)), g.Attr("x2", fmt.Sprint(width)), g.Attr("y1", tenth(at(n))), g.Attr("y2", tenth(at(n)))),
			label(left-6, at(n)+4, "end", fmt.Sprint(n)))
	}
	for i, d := range days {
		sum := 0
		for _, part := range []struct {
			n    int
			kind string
		}{{d.Behind, "behind"}, {d.Unknown, "unsure"}, {d.Current, "current"}} {
			sum += part.n
			drawn = append(drawn, g.El("rect", h.Class(part.kind), g.Attr("x", tenth(left+float64(i)*wide)), g.Attr("y", tenth(at(sum))),
				h.Width(tenth(max(wide-1, .5))), h.Height(tenth(at(sum-part.n)-at(sum)))))
		}
	}
	drawn = append(drawn, label(left, high+below-4, "start", first.Day))
	if end := left + float64(len(days))*wide; end > left+160 { // else the two would be one over the other
		drawn = append(drawn, label(end, high+below-4, "end", last.Day))
	}
	return h.Figure(
		h.SVG(h.Class("progress"), g.Attr("viewBox", fmt.Sprintf("0 0 %d %d", width, high+below)), h.Role("img"), h.Aria("label", words), drawn),
		h.FigCaption(h.Class("meta"), g.Text(words+" Units on each day, from the bottom: behind, unknown, up to date.")))
}
