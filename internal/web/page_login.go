package web

import (
	"cmp"
	"net/http"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
)

// tokenForm is where a person shows the token.
type tokenForm struct {
	Next  string // page to go on to
	Wrong string // what was wrong with the token before
}

func (p tokenForm) show(*view) g.Node {
	return g.Group{
		tokenTitle,
		Problem(p.Wrong, h.Role("alert")),
		Post("/login", h.Class("panel"), Hidden("next", p.Next), tokenField),
		tokenHint,
	}
}

// What is the same on every page that asks for the token.
var (
	tokenTitle = fixed(h.H1(g.Text("This boat asks for its token")))
	tokenField = fixed(g.Group{
		Field("Token", "token", h.Type("password"), h.Required(), MaxLength(200), h.AutoComplete("current-password")), space, Button("Open"),
	})
	tokenHint = fixed(Meta(g.Text("The token stands in the file that token_file names in the boat's config.")))
)

// loginPage asks for the token.
func (s *Server) loginPage(w http.ResponseWriter, r *http.Request, status int, wrong string) {
	next := r.PostFormValue("next")
	if r.Method == http.MethodGet && r.URL.Path != "/login" {
		next = r.URL.RequestURI()
	}
	v := &view{Report: &boat.Report{}, Version: s.opt.Version, Page: "login", Title: "Token", Content: tokenForm{OwnPath(cmp.Or(next, "/")), wrong}}
	WritePage(w, status, v.render())
}
