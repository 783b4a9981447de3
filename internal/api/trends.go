package api

import (
	"context"
	"encoding/csv"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/trend"
)

// Trends is how the boat went over a time.
type Trends struct {
	From   event.Time   `json:"from,omitzero"`
	To     event.Time   `json:"to,omitzero"`
	At     []int64      `json:"at" doc:"When each point begins, in seconds since 1970; points are missing where nothing was received."`
	Series []TrendLine  `json:"series"`
	Units  []TrendUnit  `json:"units"`
	Alerts []TrendAlert `json:"alerts"`
}

// TrendLine is one quantity over time.
type TrendLine struct {
	Kind   string     `json:"kind" enum:"load,faults,volts"`
	Name   string     `json:"name"`
	Unit   string     `json:"unit,omitempty" doc:"Id of the unit that it is of."`
	In     string     `json:"in,omitempty" doc:"Unit of measure; a number when absent."`
	Values []*float64 `json:"values" doc:"One for each point; null where nothing was received."`
}

// TrendUnit is when a unit was away, and which software it ran.
type TrendUnit struct {
	ID       string      `json:"id"`
	Title    string      `json:"title"`
	Absences []boat.Span `json:"absences"`
	Software []boat.Ran  `json:"software"`
}

// TrendAlert is when an alert was open.
type TrendAlert struct {
	ID       string         `json:"id"`
	Severity check.Severity `json:"severity"`
	Summary  string         `json:"summary"`
	boat.Span
}

// Trends are what the boat's server keeps of a resolution, over a span to now.
func (s *Server) Trends(of trend.Resolution, span time.Duration) *Trends {
	r := s.opt.Reports.Report()
	t := &Trends{At: []int64{}, Series: []TrendLine{}, Units: []TrendUnit{}, Alerts: []TrendAlert{}}
	if s.opt.Trends == nil || r == nil {
		return t
	}
	v := s.opt.Trends.View(of)
	if t.To = r.TakenAt; t.To.IsZero() && len(v.Rows) > 0 { // nothing was received since the start
		t.To = v.Rows[len(v.Rows)-1].At
	}
	t.From = t.To.Add(-span)
	v = v.Since(t.From)
	for i := range v.Rows {
		t.At = append(t.At, v.Rows[i].At.UTC().Unix())
	}
	for column, name := range v.Columns {
		line := trendLine(r, name)
		some := false
		for i := range v.Rows {
			var value *float64
			if x, ok := v.Rows[i].Value(column); ok {
				value, some = new(math.Round(x*100)/100), true
			}
			line.Values = append(line.Values, value)
		}
		if some {
			t.Series = append(t.Series, line)
		}
	}
	slices.SortStableFunc(t.Series, func(a, b TrendLine) int { return strings.Compare(a.Kind, b.Kind) })
	for _, u := range r.Aboard() {
		t.Units = append(t.Units, TrendUnit{ID: u.ID, Title: render.TitleAt(&u.Device), Absences: append([]boat.Span{}, u.Life.Absences...),
			Software: append([]boat.Ran{}, u.Life.Software...)})
	}
	for i := range r.Alerts {
		a := &r.Alerts[i]
		if a.State != alert.StatusCleared || a.Until >= t.From {
			t.Alerts = append(t.Alerts, TrendAlert{a.ID, a.Severity, a.Summary, boat.Span{From: a.Since, Until: a.Until}})
		}
	}
	return t
}

// trendLine names a column.
func trendLine(r *report.Report, column string) TrendLine {
	kind, rest, _ := strings.Cut(column, "/")
	line := TrendLine{Kind: kind, Name: rest, Values: []*float64{}}
	switch kind + "/" {
	case trend.FaultsOf:
		line.Name = map[string]string{"errors": "error frames", "lost": "lost frames and messages"}[rest]
	case trend.LoadOf:
		line.Unit, line.In = rest, "%"
	case trend.VoltsOf:
		i := strings.LastIndexByte(rest, '/')
		line.Unit, line.In = rest[:max(i, 0)], "V"
	}
	if u := r.Unit(line.Unit); line.Unit != "" && u != nil {
		line.Name = render.TitleAt(&u.Device)
	}
	return line
}

// CSV is the points as a table: the time in UTC, then a column for each series.
func (t *Trends) CSV() []byte {
	var b strings.Builder
	w := csv.NewWriter(&b)
	head := []string{"time"}
	for _, s := range t.Series {
		head = append(head, strings.TrimSpace(s.Kind+" "+boat.Printable(s.Name)+" "+s.In))
	}
	_ = w.Write(head) // a builder takes everything
	for i, at := range t.At {
		row := []string{time.Unix(at, 0).UTC().Format(time.RFC3339)}
		for _, s := range t.Series {
			text := ""
			if v := s.Values[i]; v != nil {
				text = strconv.FormatFloat(*v, 'f', -1, 64)
			}
			row = append(row, text)
		}
		_ = w.Write(row)
	}
	w.Flush()
	return []byte(b.String())
}

// addTrends registers the trends.
func (s *Server) addTrends(api huma.API) {
	type asked struct {
		Resolution string `query:"resolution" enum:"second,minute,hour" default:"minute" doc:"second: the last hour. minute: two days. hour: a year."`
		Hours      int    `query:"hours" minimum:"1" maximum:"8784" default:"24" doc:"How far back."`
	}
	of := func(in *asked) *Trends {
		return s.Trends(trend.Resolution(in.Resolution), time.Duration(in.Hours)*time.Hour)
	}
	read(api, "get-trends", "/trends", "Load, faults, voltages, units, software and alerts over time", "boat",
		func(_ context.Context, in *asked) (*Trends, error) { return of(in), nil }, 422)
	op := huma.Operation{OperationID: "get-trends-csv", Method: http.MethodGet, Path: Prefix + "/trends.csv", Tags: []string{"boat"},
		Summary: "Load, faults and voltages over time, as CSV", Errors: []int{401, 422}, Responses: map[string]*huma.Response{"200": {
			Description: "The points.", Content: map[string]*huma.MediaType{"text/csv": {Schema: &huma.Schema{Type: "string"}}}}}}
	huma.Register(api, op, func(_ context.Context, in *asked) (*huma.StreamResponse, error) {
		text := of(in).CSV()
		return &huma.StreamResponse{Body: func(ctx huma.Context) {
			ctx.SetHeader("Content-Type", "text/csv")
			ctx.SetHeader("Content-Disposition", `attachment; filename="trends.csv"`)
			_, _ = ctx.BodyWriter().Write(text)
		}}, nil
	})
}
