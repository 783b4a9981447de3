package web

import (
	"embed"
	"fmt"
	"html/template"
	"io"
	"net/url"
	"strconv"
	"strings"
	"sync"

	g "maragu.dev/gomponents"

	"muster/internal/boat"
	"muster/internal/event"
)

// This file holds the pages that are still templates.

//go:embed templates/*.html
var templateFiles embed.FS

// templated is the content of a page that is a template, with its data.
type templated struct {
	name string
	data any
}

type templateView struct {
	*view
	Data any
}

func (t templated) show(v *view) g.Node {
	return g.NodeFunc(func(w io.Writer) error {
		pages, err := loadTemplates()
		if err != nil {
			return err
		}
		return pages[t.name].ExecuteTemplate(w, "content", templateView{v, t.data})
	})
}

var loadTemplates = sync.OnceValues(func() (map[string]*template.Template, error) {
	shared, err := template.New("").Funcs(functions).ParseFS(templateFiles, "templates/parts.html", "templates/talker.html", "templates/backbone.html")
	if err != nil {
		return nil, fmt.Errorf("web: templates: %w", err)
	}
	p := map[string]*template.Template{}
	for _, name := range []string{"device", "network", "traffic"} {
		t, err := shared.Clone()
		if err == nil {
			p[name], err = t.ParseFS(templateFiles, "templates/"+name+".html")
		}
		if err != nil {
			return nil, fmt.Errorf("web: template %s: %w", name, err)
		}
	}
	return p, nil
})

// audit is what the rules and the network say of a layout.
func (p *shownPlan) audit() g.Node {
	return g.NodeFunc(func(w io.Writer) error {
		pages, err := loadTemplates()
		if err != nil {
			return err
		}
		return pages["network"].ExecuteTemplate(w, "audit", p)
	})
}

// Functions are what the templates may call.
func Functions() template.FuncMap { return functions }

// MarkHTML is Mark for a template.
func MarkHTML(state any) template.HTML { return asHTML(Mark(state)) }

func asHTML(n g.Node) template.HTML {
	if n == nil {
		return ""
	}
	var b strings.Builder
	_ = n.Render(&b)
	return template.HTML(b.String())
}

// ReportHTML is ReportNode for a template.
func ReportHTML(r *boat.Report) (template.HTML, error) { return asHTML(ReportNode(r)), nil }

var functions = template.FuncMap{
	"title":     DeviceTitle,
	"maker":     DeviceMaker,
	"instances": DeviceInstances,
	"percent":   Percent,
	"stamp":     Stamp,
	"titleAt":   titleAt,
	"clock":     clockTime,
	"span":      Span,
	"ago":       ago,
	"grouped":   Grouped,
	"faults":    FaultWords,
	"network":   NetworkWords,
	"condition": func(s string) string { return lineConditions[s] },
	"share":     func(f float64) string { return strconv.FormatFloat(f*100, 'f', -1, 64) + " %" },
	"printable": boat.Printable,
	"words":     func(s any) string { return Words(fmt.Sprint(s)) },
	"escape":    url.PathEscape,
	"mark":      MarkHTML,
	"interval":  func(in *boat.Interval, published float64) template.HTML { return asHTML(intervalPlot(in, published)) },
	"node":      func(n g.Node) template.HTML { return asHTML(n) },
	"millis":    millis,
	"stampFine": func(t event.Time) string { return t.UTC().Format("15:04:05.000") },
	"deref":     func(p *bool) bool { return p != nil && *p },
	"pair": func(root templateView, a shownAlert) any {
		return struct {
			Root  templateView
			Alert shownAlert
		}{root, a}
	},
	"lists": func(root templateView, l alertLists, title string) any {
		return struct {
			Root  templateView
			Lists alertLists
			Title string
		}{root, l, title}
	},
	"talk": func(r *boat.Report, t *shownTalker, closer bool) any {
		return struct {
			Report *boat.Report
			Talker *shownTalker
			Closer bool // its latest sentences are shown too
		}{r, t, closer}
	},
	"add": func(a, b int) int { return a + b },
	"pick": func(of []string, now string) any {
		return struct {
			Of  []string
			Now string
		}{of, now}
	},
	"slug":     Slug,
	"pgn":      func(n uint32) string { return strconv.FormatUint(uint64(n), 10) },
	"rows":     func() int { return trafficRows },
	"fields":   func() int { return shownFields },
	"volts":    func(p *float64) string { return strconv.FormatFloat(*p, 'f', 1, 64) },
	"evidence": func(v any) string { return boat.Printable(EvidenceValue(v)) },
}
