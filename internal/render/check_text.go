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
	for _, e := range check.Catalogue() {
		if e.ID != id {
			continue
		}
		t.line(2, "Severity as shipped: "+string(e.Severity))
		if e.Hold > 0 {
			t.line(2, "An alert of a live boat when it has lasted "+SecondsWords(e.Hold.Seconds()))
		}
		if e.Least > 0 {
			t.line(2, "Not judged on a network that was received for less than "+SecondsWords(e.Least.Seconds()))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(x.Cases)) {
		c := x.Cases[name]
		t.line(0, "")
		t.line(2, template(c.Summary))
		t.line(2, RemedyLabel+":")
		for _, step := range RemedyLines(c.Remedy) {
			t.line(4, template(step))
		}
	}
	return t.err
}

// template shows a text with its values left open.
func template(s string) string {
	return strings.TrimSpace(blank.ReplaceAllStringFunc(s, func(b string) string { return "<" + strings.Trim(b, "{}") + ">" }))
}
