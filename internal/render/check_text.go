package render

import (
	"io"
	"maps"
	"regexp"
	"slices"
	"strings"

	"muster/internal/check"
)

// blank is a value that a finding fills in.
var blank = regexp.MustCompile(`\{[a-z]+\}`)

// CheckText explains a check for a person: what it finds, how long it listens, and what to do in each case.
func CheckText(w io.Writer, id string, style TextStyle) error {
	t := &textReport{TextStyle: style, w: w}
	x := check.TextOf(id)
	t.line(0, id)
	t.line(2, x.Doc)
	for _, fact := range CheckFacts(id) {
		t.line(2, fact)
	}
	for _, name := range slices.Sorted(maps.Keys(x.Cases)) {
		summary, remedy := CheckCase(x.Cases[name])
		t.line(0, "")
		t.line(2, summary)
		t.line(2, RemedyLabel+":")
		for _, step := range remedy {
			t.line(4, step)
		}
	}
	return t.err
}

// CheckFacts are a check's severity as shipped, and how long it needs.
func CheckFacts(id string) (facts []string) {
	for _, e := range check.Catalogue() {
		if e.ID != id {
			continue
		}
		facts = append(facts, "Severity as shipped: "+string(e.Severity))
		if e.Hold > 0 {
			facts = append(facts, "An alert of a live boat when it has lasted "+SecondsWords(e.Hold.Seconds()))
		}
		if e.Least > 0 {
			facts = append(facts, "Not judged on a network that was received for less than "+SecondsWords(e.Least.Seconds()))
		}
	}
	return facts
}

// CheckCase is a case of a check with its values left open: the summary, and the steps of its remedy.
func CheckCase(c check.Case) (summary string, remedy []string) {
	for _, step := range RemedyLines(c.Remedy) {
		remedy = append(remedy, template(step))
	}
	return template(c.Summary), remedy
}

// template shows a text with its values left open.
func template(s string) string {
	return strings.TrimSpace(blank.ReplaceAllStringFunc(s, func(b string) string { return "<" + strings.Trim(b, "{}") + ">" }))
}
