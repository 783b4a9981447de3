package pages

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/trend"
	"muster/internal/ui"
)

// period is how far back the trends go.
type period struct {
	key, words string
	hours      int
	of         trend.Resolution
}

var periods = []period{{"1h", "1 hour", 1, trend.Second}, {"24h", "24 hours", 24, trend.Minute}, {"7d", "7 days", 7 * 24, trend.Hour},
	{"90d", "90 days", 90 * 24, trend.Hour}, {"1y", "1 year", 366 * 24, trend.Hour}}

// trends are how the boat went over a period.
type trends struct {
	period
	*api.Trends
	query url.Values // of the page
}

// trendsOf are the trends of the period that an address has; the last hour when it has none.
func (s *site) trendsOf(q url.Values) trends {
	i := max(slices.IndexFunc(periods, func(p period) bool { return p.key == q.Get("trend") }), 0)
	p := periods[i]
	return trends{p, s.boat.Trends(p.of, time.Duration(p.hours)*time.Hour), q}
}

// node is the pictures, which the script draws, and the same as a table.
func (t trends) node(v *view) g.Node {
	asked := fmt.Sprintf("?resolution=%s&hours=%d", t.of, t.hours)
	return ui.Section("trends", "Trends",
		h.P(h.Class("links"), ui.Joined(periods, " · ", func(p period) g.Node { return t.link(p) }), g.Text(" · "),
			h.A(h.Href("/api/v1/trends.csv"+asked), g.Text("CSV"))),
		g.If(len(t.At) == 0, ui.Empty("Nothing is kept yet. Points appear here with traffic.")),
		g.If(len(t.At) > 0, g.Group{
			h.Div(h.Class("plots"), h.ID("plots-"+t.key), h.Data("trends", "/api/v1/trends"+asked)),
			ui.More("trend-table", v.Printed, g.Text("As a table"), t.table())}))
}

// link leads to the trends of a period.
func (t trends) link(p period) g.Node {
	q := url.Values{}
	for name, values := range t.query {
		if name != "said" {
			q[name] = values
		}
	}
	q.Set("trend", p.key)
	return h.A(h.Href("/?"+q.Encode()+"#trends"), g.Attr("data-stay"), g.If(p.key == t.key, h.Aria("current", "true")), g.Text(p.words))
}

// mostLoads is how many units the load is shown of one by one.
const mostLoads = 5

// table is the latest, lowest, mean and highest value of each series.
func (t trends) table() g.Node {
	return h.Table(h.Class("trends"),
		h.THead(h.Tr(g.Map([]string{"Of", "Latest", "Lowest", "Mean", "Highest"}, func(s string) g.Node { return h.Th(h.Scope("col"), g.Text(s)) }))),
		h.TBody(g.Map(t.shown(), func(s seriesSum) g.Node { return s.row() })))
}

// seriesSum is a series in four numbers.
type seriesSum struct {
	api.TrendLine
	latest, low, mean, high float64
}

// shown are the series: of the loads the largest.
func (t trends) shown() []seriesSum {
	var loads, others []seriesSum
	for _, line := range t.Series {
		s, n, sum := seriesSum{TrendLine: line}, 0, 0.0
		for _, v := range line.Values {
			if v == nil {
				continue
			}
			if n == 0 {
				s.low, s.high = *v, *v
			}
			s.latest, s.low, s.high = *v, min(s.low, *v), max(s.high, *v)
			sum += *v
			n++
		}
		s.mean = sum / float64(max(n, 1))
		if line.Kind == "load" {
			loads = append(loads, s)
		} else {
			others = append(others, s)
		}
	}
	slices.SortStableFunc(loads, func(a, b seriesSum) int { return cmp.Compare(b.mean, a.mean) })
	return append(loads[:min(len(loads), mostLoads)], others...)
}

func (s *seriesSum) row() g.Node {
	number := func(x float64) g.Node { return h.Td(g.Text(strconv.FormatFloat(x, 'f', 2, 64) + ui.After(" ", s.In))) }
	what := map[string]string{"load": "load of ", "volts": "voltage of ", "faults": ""}[s.Kind]
	return h.Tr(h.Th(h.Scope("row"), g.Text(what+boat.Printable(s.Name))), number(s.latest), number(s.low), number(s.mean), number(s.high))
}
