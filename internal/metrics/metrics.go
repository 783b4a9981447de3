// Package metrics answers scrapes of Prometheus and of what reads the same formats: the text format 0.0.4 of the Prometheus project's
// page "Exposition formats", and OpenMetrics 1.0 (openmetrics.io) for who asks for it.
//
// Nothing is counted here. A program keeps its own numbers, and its collectors put them on a page anew for each scrape.
package metrics

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Metric is what all series of one name have in common.
type Metric struct {
	name, help, kind string
	labels           []string
	sorted           []int // labels by name, as they are written
}

// Gauge is a metric whose value goes up and down. Name and labels are of the letters that the format allows: promtool holds the tests'
// pages to that.
func Gauge(name, help string, labels ...string) *Metric {
	return newMetric("gauge", name, help, labels)
}

// Counter is a metric that only grows while the program runs. Its name ends in _total.
func Counter(name, help string, labels ...string) *Metric {
	return newMetric("counter", name, help, labels)
}

func newMetric(kind, name, help string, labels []string) *Metric {
	m := &Metric{name: name, help: help, kind: kind, labels: labels, sorted: make([]int, len(labels))}
	for i := range m.sorted {
		m.sorted[i] = i
	}
	slices.SortFunc(m.sorted, func(a, b int) int { return strings.Compare(labels[a], labels[b]) })
	return m
}

// Collector puts on a page what it knows. It may run several times at once.
type Collector func(*Page)

// Page is the answer to one scrape while it is made.
type Page struct {
	open     bool // OpenMetrics
	families map[string]*family
	scratch  []byte
	err      error // the first
}

type family struct {
	*Metric
	series []series
}

// series is one line: what follows the metric's name, and the value.
type series struct {
	labels string
	value  float64
}

// Put adds a series, with the labels' values in the order in which the metric names them. What is not UTF-8 in them becomes U+FFFD.
// Two metrics of one name, two series with the same labels or another number of labels are faults of the program, which the page's
// reader is told of instead.
func (p *Page) Put(m *Metric, value float64, labels ...string) {
	if len(labels) != len(m.labels) {
		p.fail(fmt.Errorf("%s has %d labels and got %d", m.name, len(m.labels), len(labels)))
		return
	}
	text := p.scratch[:0]
	for i, l := range m.sorted {
		text = append(text, "{,"[min(i, 1)])
		text = append(append(text, m.labels[l]...), `="`...)
		text = append(appendEscaped(text, strings.ToValidUTF8(labels[l], "\uFFFD"), true), '"')
	}
	if len(labels) > 0 {
		text = append(text, '}')
	}
	p.scratch = text
	p.add(m, string(text), value)
}

// Count is Put for a whole number.
func (p *Page) Count(m *Metric, value uint64, labels ...string) { p.Put(m, float64(value), labels...) }

// Truth is Put with 1 for true and 0 for false.
func (p *Page) Truth(m *Metric, value bool, labels ...string) {
	v := 0.0
	if value {
		v = 1
	}
	p.Put(m, v, labels...)
}

// summary adds the series of a metric of that kind: quantiles[i] is what i of the last index's parts of all values do not exceed.
func (p *Page) summary(m *Metric, count uint64, sum float64, quantiles []float64) {
	for i, v := range quantiles {
		q := p.appendNumber(nil, float64(i)/float64(len(quantiles)-1))
		p.add(m, `{quantile="`+string(q)+`"}`, v)
	}
	p.add(m, "_sum", sum)
	p.add(m, "_count", float64(count))
}

func (p *Page) add(m *Metric, labels string, value float64) {
	f := p.families[m.name]
	if f == nil {
		f = &family{Metric: m}
		p.families[m.name] = f
	}
	if f.Metric != m {
		p.fail(fmt.Errorf("%s is the name of two metrics", m.name))
	}
	f.series = append(f.series, series{labels, value})
}

func (p *Page) fail(err error) {
	if p.err == nil {
		p.err = err
	}
}

// collect makes the page of what the collectors tell.
func collect(collectors []Collector, open bool) ([]byte, error) {
	p := &Page{open: open, families: map[string]*family{}}
	for _, c := range collectors {
		c(p)
	}
	var text []byte
	for _, name := range slices.Sorted(maps.Keys(p.families)) {
		text = p.appendFamily(text, p.families[name])
	}
	if p.err != nil {
		return nil, fmt.Errorf("the metrics contradict each other, a fault of this program: %w", p.err)
	}
	if p.open {
		text = append(text, "# EOF\n"...)
	}
	return text, nil
}

// appendFamily writes the head of a metric and its series in the order of their text.
func (p *Page) appendFamily(text []byte, f *family) []byte {
	name, kind := f.name, f.kind
	if short, ok := strings.CutSuffix(name, "_total"); ok && p.open {
		name = short // OpenMetrics names a counter without the ending of its series, but does not let a gauge have that name too
		if p.families[short] != nil {
			name, kind = f.name, "unknown"
		}
	}
	text = append(append(append(text, "# HELP "...), name...), ' ')
	text = append(appendEscaped(text, f.help, p.open), '\n')
	text = append(append(append(text, "# TYPE "...), name...), ' ')
	text = append(append(text, kind...), '\n')
	slices.SortFunc(f.series, func(a, b series) int { return strings.Compare(a.labels, b.labels) })
	for i := range f.series {
		s := &f.series[i]
		if i > 0 && s.labels == f.series[i-1].labels {
			p.fail(errors.New(f.name + s.labels + " is told twice"))
		}
		text = append(append(append(text, f.name...), s.labels...), ' ')
		text = append(p.appendNumber(text, s.value), '\n')
	}
	return text
}

// appendNumber writes a value as Go does, which is how the text format has it; OpenMetrics tells a float by its point.
func (p *Page) appendNumber(text []byte, v float64) []byte {
	if math.IsInf(v, 1) {
		return append(text, "+Inf"...)
	}
	from := len(text)
	text = strconv.AppendFloat(text, v, 'g', -1, 64)
	if p.open && !strings.ContainsAny(string(text[from:]), ".eIN") {
		text = append(text, ".0"...)
	}
	return text
}

// appendEscaped writes a help text or, quoted, a label's value.
func appendEscaped(text []byte, s string, quoted bool) []byte {
	for i := range len(s) {
		switch c := s[i]; {
		case c == '\n':
			text = append(text, `\n`...)
		case c == '\\' || quoted && c == '"':
			text = append(text, '\\', c)
		default:
			text = append(text, c)
		}
	}
	return text
}
