package web

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"net/http"

	"muster/internal/boat"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed static
var staticFiles embed.FS

var functions = template.FuncMap{
	"groups":    Groups,
	"alerts":    SortedAlerts,
	"title":     DeviceTitle,
	"maker":     DeviceMaker,
	"instances": DeviceInstances,
	"percent":   Percent,
	"stamp":     Stamp,
	"span":      Span,
	"grouped":   Grouped,
	"faults":    FaultWords,
	"printable": boat.Printable,
	"evidence":  func(v any) string { return boat.Printable(EvidenceValue(v)) },
	"style": func() (template.CSS, error) {
		text, err := staticFiles.ReadFile("static/muster.css")
		return template.CSS(text), err
	},
}

// pages are the parsed templates: layout.html holds the frame, boat.html the list, print.html the page of `audit --format html`.
type pages struct{ all *template.Template }

func loadPages() (*pages, error) {
	t, err := template.New("").Funcs(functions).ParseFS(templateFiles, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("web: templates: %w", err)
	}
	return &pages{t}, nil
}

func (p *pages) static() http.Handler {
	sub, err := fs.Sub(staticFiles, "static")
	if err != nil {
		return http.NotFoundHandler()
	}
	files := http.FileServerFS(sub)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-cache")
		files.ServeHTTP(w, r)
	})
}

// view is what a template gets.
type view struct {
	Report  *boat.Report
	Version string
}

func (s *Server) boatPage(w http.ResponseWriter, _ *http.Request)     { s.render(w, "layout") }
func (s *Server) boatFragment(w http.ResponseWriter, _ *http.Request) { s.render(w, "boat") }

// render writes a page whole or not at all.
func (s *Server) render(w http.ResponseWriter, name string) {
	var page bytes.Buffer
	if err := s.pages.all.ExecuteTemplate(&page, name, view{s.opt.Reports.Report(), s.opt.Version}); err != nil {
		s.opt.Log.Error().Err(err).Str("page", name).Msg("render")
		http.Error(w, "the page cannot be written", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = page.WriteTo(w)
}

// WriteHTML writes the report as one page that needs nothing else, to be kept or printed.
func WriteHTML(w io.Writer, r *boat.Report, version string) error {
	p, err := loadPages()
	if err != nil {
		return err
	}
	if err := p.all.ExecuteTemplate(w, "print", view{r, version}); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}
