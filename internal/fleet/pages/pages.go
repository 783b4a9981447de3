package pages

import (
	"bytes"
	"cmp"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/fleet/hub"
	"muster/internal/web"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed fleet.css
var style []byte

type templates map[string]*template.Template

var pageNames = []string{"fleet", "boat", "search", "campaigns", "campaign", "week", "alerts", "refusals", "login", "failed"}

var marks = map[hub.Verdict]string{hub.Visit: "critical", hub.Watch: "warning", hub.Well: "well", hub.Unheard: "gone", hub.Never: "waiting"}

var verdictWords = map[hub.Verdict]string{hub.Visit: "needs a visit", hub.Watch: "keep an eye on it", hub.Well: "in order", hub.Unheard: "unheard",
	hub.Never: "never heard"}

func loadTemplates(since func(time.Time) string) (templates, error) {
	base := template.New("").Funcs(web.Functions()).Funcs(template.FuncMap{
		"when":      func(t time.Time) string { return web.Stamp(event.At(t)) },
		"since":     since,
		"verdict":   func(v hub.Verdict) string { return verdictWords[v] },
		"vmark":     func(v hub.Verdict) template.HTML { return web.MarkHTML(marks[v]) },
		"vclass":    func(v hub.Verdict) string { return marks[v] },
		"find":      query,
		"plural":    plural,
		"kilobytes": func(n int) string { return fmt.Sprintf("%.1f kB", float64(n)/1000) },
		"standing":  func(s any) string { return standingMark(fmt.Sprint(s)) },
	})
	base, err := base.ParseFS(templateFiles, "templates/layout.html")
	if err != nil {
		return nil, fmt.Errorf("pages: templates: %w", err)
	}
	t := templates{}
	for _, name := range pageNames {
		one, err := base.Clone()
		if err == nil {
			t[name], err = one.ParseFS(templateFiles, "templates/"+name+".html")
		}
		if err != nil {
			return nil, fmt.Errorf("pages: template %s: %w", name, err)
		}
	}
	return t, nil
}

// standingMark is the state whose symbol and colour a standing has.
func standingMark(s string) string {
	switch s {
	case "behind", "withdrawn":
		return "warning"
	case "current", "ahead":
		return "verified"
	}
	return "unknown"
}

// view is what a template gets.
type view struct {
	Version string
	Page    string
	Title   string
	Leave   bool
	Now     event.Time
	Data    any
}

func (s *Server) addPages(mux *http.ServeMux) {
	mux.Handle("GET /static/", http.StripPrefix("/static/", web.Static()))
	mux.HandleFunc("GET /static/fleet.css", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-cache")
		http.ServeContent(w, r, "fleet.css", time.Time{}, bytes.NewReader(style))
	})
	s.page(mux, "GET /{$}", "fleet", s.fleetData)
	s.page(mux, "GET /boats/{id}", "boat", s.boatData)
	s.page(mux, "GET /search", "search", s.searchData)
	s.page(mux, "GET /campaigns", "campaigns", s.campaignsData)
	s.page(mux, "GET /campaigns/{model}", "campaign", s.campaignData)
	s.page(mux, "GET /week", "week", s.weekData)
	s.page(mux, "GET /alerts", "alerts", s.alertsData)
	s.page(mux, "GET /refusals", "refusals", s.refusalsData)
	mux.HandleFunc("GET /boats/{id}/documents/{number}", s.document)
	mux.HandleFunc("GET /login", func(w http.ResponseWriter, r *http.Request) { s.loginPage(w, r, http.StatusOK, "") })
	mux.HandleFunc("POST /login", s.door.Login)
	mux.HandleFunc("POST /logout", s.door.Logout)
}

// page registers a page whose content data gives; an error of hub.ErrNotFound is answered with 404.
func (s *Server) page(mux *http.ServeMux, pattern, name string, data func(*http.Request) (title string, _ any, _ error)) {
	mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		title, d, err := data(r)
		if err != nil {
			s.failed(w, r, err)
			return
		}
		page, err := s.render(name, title, d)
		if err != nil {
			s.opt.Log.Error().Err(err).Msg("page")
			http.Error(w, "the page cannot be written", http.StatusInternalServerError)
			return
		}
		web.WritePage(w, http.StatusOK, page)
	})
}

// render writes a page whole or not at all.
func (s *Server) render(name, title string, data any) ([]byte, error) {
	var b bytes.Buffer
	v := view{Version: s.opt.Version, Page: name, Title: title, Leave: s.opt.Token != "", Now: event.At(s.opt.Now()), Data: data}
	if err := s.pages[name].ExecuteTemplate(&b, "layout", v); err != nil {
		return nil, fmt.Errorf("render %s: %w", name, err)
	}
	return b.Bytes(), nil
}

// failed answers a person with what went wrong and the way on.
func (s *Server) failed(w http.ResponseWriter, _ *http.Request, err error) {
	status := http.StatusUnprocessableEntity
	if errors.Is(err, hub.ErrNotFound) {
		status = http.StatusNotFound
	}
	page, rerr := s.render("failed", "That did not work", boat.Printable(err.Error()))
	if rerr != nil {
		s.opt.Log.Error().Err(rerr).AnErr("cause", err).Msg("page")
		http.Error(w, "the page cannot be written", http.StatusInternalServerError)
		return
	}
	web.WritePage(w, status, page)
}

// loginPage asks for the token.
func (s *Server) loginPage(w http.ResponseWriter, r *http.Request, status int, wrong string) {
	next := r.PostFormValue("next")
	if r.Method == http.MethodGet && r.URL.Path != "/login" {
		next = r.URL.RequestURI()
	}
	page, err := s.render("login", "Token", struct{ Next, Wrong string }{web.OwnPath(cmp.Or(next, "/")), wrong})
	if err != nil {
		s.opt.Log.Error().Err(err).Msg("page")
		http.Error(w, "the page cannot be written", http.StatusInternalServerError)
		return
	}
	web.WritePage(w, status, page)
}

// progressPlot draws the share that is behind, unknown and current on each of the latest days, and says it in a sentence.
func progressPlot(days []CampaignDay) (plot template.HTML, sentence string) {
	const most, width, high = 120, 480, 120
	days = days[max(0, len(days)-most):]
	top := 1
	for _, d := range days {
		top = max(top, d.Behind+d.Unknown+d.Current)
	}
	step := min(24, float64(width)/float64(len(days)))
	var b strings.Builder
	first, last := days[0], days[len(days)-1]
	sentence = fmt.Sprintf("Behind on %s: %d.", last.Day, last.Behind)
	if len(days) > 1 {
		sentence = fmt.Sprintf("Behind on %s: %d, on %s: %d.", first.Day, first.Behind, last.Day, last.Behind)
	}
	fmt.Fprintf(&b, `<svg class="progress" viewBox="0 0 %d %d" role="img" aria-label="%s">`, width, high, sentence)
	for i, d := range days {
		y := float64(high)
		for _, part := range []struct {
			n    int
			kind string
		}{{d.Behind, "behind"}, {d.Unknown, "unsure"}, {d.Current, "current"}} {
			h := float64(part.n) / float64(top) * high
			y -= h
			fmt.Fprintf(&b, `<rect class="%s" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`, part.kind, float64(i)*step, y, max(step-1, .5), h)
		}
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()), sentence
}
