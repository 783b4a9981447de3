package pages

import (
	"cmp"
	"net/http"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/report"
	"muster/internal/ui"
)

// tokenForm is where a person enters the token.
type tokenForm struct {
	Next  string // page to go on to
	Wrong string // what was wrong with the token before
}

func (p tokenForm) show(*view) g.Node {
	return g.Group{
		tokenTitle,
		ui.Problem(p.Wrong, h.Role("alert")),
		ui.Post("/login", h.Class("panel"), ui.Hidden("next", p.Next), tokenField),
		tokenHint,
	}
}

// The fixed parts of the page.
var (
	tokenTitle = ui.Fixed(h.H1(g.Text("Sign in: enter the access token")))
	tokenField = ui.Fixed(g.Group{
		ui.Field("Token", "token", h.Type("password"), h.Required(), ui.MaxLength(200), h.AutoComplete("current-password")), ui.Space, ui.Button("Sign in"),
	})
	tokenHint = ui.Fixed(ui.Meta(g.Text("The token is in the file that token_file names in the boat's config.")))
)

// loginPage asks for the token.
func (s *site) loginPage(w http.ResponseWriter, r *http.Request, status int, wrong string) {
	next := r.PostFormValue("next")
	if r.Method == http.MethodGet && r.URL.Path != "/login" {
		next = r.URL.RequestURI()
	}
	v := &view{Showing: ui.Showing{Report: &report.Report{}}, Version: s.opt.Version, Page: "login", Title: "Token", Content: tokenForm{api.OwnPath(cmp.Or(next, "/")), wrong}}
	ui.WritePage(w, status, v.render())
}
