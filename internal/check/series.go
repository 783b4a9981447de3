package check

import (
	"context"
	"encoding/json"
	"math"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/input"
	"muster/internal/quantity"
)

// SeriesKey is the evidence that holds Series; it is drawn, and left out of lists of facts.
const SeriesKey = "series"

// Series are one or two courses of a value over the same time, for a picture.
type Series struct {
	Unit   string     `json:"unit"`
	From   event.Time `json:"from"`
	StepMS int64      `json:"step_ms"`
	Lines  []Line     `json:"lines"` // one or two; the second may be a limit
}

// Line is one course. At is its value at each step, nil where there is none; a line of a single value stays there.
type Line struct {
	Name string     `json:"name"` // the id of a source, or what it is
	At   []*float64 `json:"at"`
}

// SeriesOf is what evidence holds of Series, also after it was read from a report's text.
func SeriesOf(evidence map[string]any) (s Series, ok bool) {
	switch v := evidence[SeriesKey].(type) {
	case nil:
		return s, false
	case Series:
		return v, true
	default:
		text, err := json.Marshal(v)
		if err != nil || input.OpenJSON(context.Background(), SeriesKey, text, &s) != nil {
			return Series{}, false
		}
	}
	return s, len(s.Lines) > 0 && s.StepMS > 0
}

// points are the steps of a picture: enough for its width, and little in a report.
const points = 48

// draw samples traces over the time that they share, or that one has.
func draw(unit string, digits float64, names []string, list []*quantity.Trace,
	show func(x quantity.Step) float64) Series {
	var from, to event.Time
	for i, t := range list {
		if len(t.Steps) == 0 {
			continue
		}
		first, last := t.Steps[0].At, t.Steps[len(t.Steps)-1].At
		if i == 0 || first > from {
			from = first
		}
		if i == 0 || last < to {
			to = last
		}
	}
	step := max((to.Sub(from) / points).Round(10*time.Millisecond), 10*time.Millisecond)
	s := Series{Unit: unit, From: from, StepMS: step.Milliseconds()}
	for i, t := range list {
		line := Line{Name: names[i]}
		for k := 0; k <= points && from.Add(time.Duration(k)*step) <= to; k++ {
			x, ok := t.At(from.Add(time.Duration(k) * step))
			var at *float64
			if ok {
				v := math.Round(show(x)*digits) / digits
				at = &v
			}
			line.At = append(line.At, at)
		}
		s.Lines = append(s.Lines, line)
	}
	return s
}

// traces draws two sources of a measure, of positions how far each is from where the first began. The second is drawn so much earlier.
func traces(m boat.Measure, a, b *boat.Source, lag time.Duration) Series {
	later := b.Trace
	if lag != 0 {
		later.Steps = make([]quantity.Step, len(b.Trace.Steps))
		for i, x := range b.Trace.Steps {
			x.At = x.At.Add(-lag)
			later.Steps[i] = x
		}
	}
	names, both := []string{a.ID, b.ID}, []*quantity.Trace{&a.Trace, &later}
	return draw(m.Info().Unit, 100, names, both, func(x quantity.Step) float64 {
		if first := a.Trace.Steps; m == boat.Position {
			return quantity.Distance(first[0].Value, first[0].Longitude, x.Value, x.Longitude)
		}
		return inUnit(m, x.Value)
	})
}

// against draws one trace and the limit that it is held against.
func against(name, unit string, t *quantity.Trace, limitName string, limit float64) Series {
	s := draw(unit, 1000, []string{name}, []*quantity.Trace{t}, func(x quantity.Step) float64 { return x.Value })
	s.Lines = append(s.Lines, Line{Name: limitName, At: []*float64{&limit}})
	return s
}
