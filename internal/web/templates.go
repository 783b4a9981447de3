package web

import (
	"fmt"
	"html/template"
	"net/url"
	"strings"

	g "maragu.dev/gomponents"

	"muster/internal/boat"
)

// This file is what the fleet's pages need as long as they are templates.

// Functions are what the templates may call.
func Functions() template.FuncMap {
	return template.FuncMap{
		"stamp":     Stamp,
		"printable": boat.Printable,
		"words":     func(s any) string { return Words(fmt.Sprint(s)) },
		"mark":      MarkHTML,
		"escape":    url.PathEscape,
		"slug":      Slug,
	}
}

// MarkHTML is Mark for a template.
func MarkHTML(state any) template.HTML { return asHTML(Mark(state)) }

// ReportHTML is ReportNode for a template.
func ReportHTML(r *boat.Report) (template.HTML, error) { return asHTML(ReportNode(r)), nil }

func asHTML(n g.Node) template.HTML {
	if n == nil {
		return ""
	}
	var b strings.Builder
	_ = n.Render(&b)
	return template.HTML(b.String())
}
