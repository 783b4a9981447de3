package pages

import (
	"fmt"
	"maps"
	"net/http"
	"slices"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/deploy"
	"muster/internal/api"
	"muster/internal/check"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

// helpOf is the topic that the menu's link to the help opens, by page.
var helpOf = map[string]string{
	"boat": "checks", "device": "checks", "silences": "checks", "network": "layout", "editor": "layout", "fault": "layout",
	"work": "job", "snapshots": "formats", "traffic": "formats",
}

// helpLink leads to what explains the page.
func (v *view) helpLink() g.Node { return h.A(h.Href("/help/"+helpOf[v.Page]), g.Text("help")) }

func (s *site) addHelp(mux *http.ServeMux) {
	s.page(mux, "GET /help/{$}", "help", helpIndex)
	s.page(mux, "GET /help/{topic}", "help", helpTopic)
	s.page(mux, "GET /help/checks/{id}", "help", helpCheck)
}

// helpPage is a page of help: its body, below the way back.
type helpPage struct{ body g.Node }

func (p helpPage) show(*view) g.Node {
	return h.Article(h.Class("help"), p.body)
}

// helpIndex lists the topics and the checks.
func helpIndex(*http.Request, *report.Report) (string, content, error) {
	return "Help", helpPage{g.Group{
		h.H1(g.Text("Help")),
		ui.Plain(g.Map(deploy.Topics(), func(t deploy.Topic) g.Node {
			return h.Li(h.A(h.Href("/help/"+t.Name), g.Text(t.Title)))
		})),
		ui.Section("checks", "Checks", h.Dl(g.Map(check.IDs(), func(id string) g.Node {
			return g.Group{h.Dt(h.A(h.Href("/help/checks/"+id), h.Code(g.Text(id)))), h.Dd(g.Text(check.TextOf(id).Doc))}
		}))),
	}}, nil
}

func helpTopic(r *http.Request, _ *report.Report) (string, content, error) {
	name := r.PathValue("topic")
	text, ok := deploy.Text(name)
	if !ok {
		return "", nil, fmt.Errorf("help on %q: %w: the page Help lists the topics", name, api.ErrNoSuch)
	}
	title, body := markdown(name, text)
	return title, helpPage{g.Group{h.P(h.A(h.Href("/help/"), g.Text("Help"))), body}}, nil
}

// helpCheck explains a check as muster explain does.
func helpCheck(r *http.Request, _ *report.Report) (string, content, error) {
	id := r.PathValue("id")
	text := check.TextOf(id)
	if text.Doc == "" {
		return "", nil, fmt.Errorf("help on %q: %w: the page Help lists the checks", id, api.ErrNoSuch)
	}
	body := g.Group{
		h.P(h.A(h.Href("/help/"), g.Text("Help")), g.Text(" · "), h.A(h.Href("/help/checks"), g.Text("How muster checks"))),
		h.H1(h.Code(g.Text(id))), h.P(g.Text(text.Doc)), ui.Lines(render.CheckFacts(id))}
	for _, name := range slices.Sorted(maps.Keys(text.Cases)) {
		summary, remedy := render.CheckCase(text.Cases[name])
		body = append(body, h.H2(g.Text(summary)), h.P(g.Text(render.RemedyLabel+":")), ui.Lines(remedy))
	}
	return id, helpPage{body}, nil
}
