package pages

import (
	"bytes"
	"cmp"
	_ "embed"
	"errors"
	"fmt"
	"net/http"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/fleet"
	"muster/internal/fleet/hub"
	"muster/internal/ui"
)

//go:embed fleet.css
var style []byte

func (s *Server) addPages(mux *http.ServeMux) {
	mux.Handle("GET /static/", http.StripPrefix("/static/", ui.Static()))
	mux.HandleFunc("GET /static/fleet.css", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-cache")
		http.ServeContent(w, r, "fleet.css", time.Time{}, bytes.NewReader(style))
	})
	s.page(mux, "GET /{$}", "fleet", s.fleetPage)
	s.page(mux, "GET /boats/{id}", "boat", s.boatPage)
	s.page(mux, "GET /boats/{id}/units/{unit}", "boat", s.unitPage)
	s.page(mux, "GET /search", "search", s.searchPage)
	mux.HandleFunc("GET /search.csv", s.searchCSV)
	mux.HandleFunc("GET /week.csv", s.weekCSV)
	s.page(mux, "GET /campaigns", "campaigns", s.campaignsPage)
	s.page(mux, "GET /campaigns/{model}", "campaign", s.campaignPage)
	s.page(mux, "GET /week", "week", s.weekPage)
	s.page(mux, "GET /alerts", "alerts", s.alertsPage)
	s.page(mux, "GET /refusals", "refusals", s.refusalsPage)
	s.page(mux, "GET /enrol", "enrol", s.enrolPage)
	mux.HandleFunc("POST /enrol", s.enrol)
	mux.HandleFunc("POST /boats/{id}/revoke", s.revokeForm)
	mux.HandleFunc("POST "+fleet.JoinPath, s.join)
	mux.HandleFunc("GET /boats/{id}/documents/{number}", s.document)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		if !api.OtherMethod(mux, w, r) {
			s.failed(w, fmt.Errorf("page %q: %w: use the menu", r.URL.Path, hub.ErrNotFound))
		}
	})
	mux.HandleFunc("GET /login", func(w http.ResponseWriter, r *http.Request) { s.loginPage(w, r, http.StatusOK, "") })
	mux.HandleFunc("POST /login", s.door.Login)
	mux.HandleFunc("POST /logout", s.door.Logout)
}

// page registers a page whose title and content a function gives; an error of hub.ErrNotFound is answered with 404.
func (s *Server) page(mux *http.ServeMux, pattern, name string, make func(*http.Request) (title string, content g.Node, _ error)) {
	mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		title, content, err := make(r)
		if err != nil {
			s.failed(w, err)
			return
		}
		s.write(w, http.StatusOK, name, title, content)
	})
}

// failed answers a person with the error and the way on.
func (s *Server) failed(w http.ResponseWriter, err error) {
	status := http.StatusUnprocessableEntity
	if errors.Is(err, hub.ErrNotFound) {
		status = http.StatusNotFound
	}
	const title = "That did not work"
	s.write(w, status, "failed", title, g.Group{
		h.H1(g.Text(title)),
		ui.Problem(boat.Printable(err.Error()), h.Role("alert")),
		h.P(h.A(h.Href("/"), g.Text("Back to the fleet"))),
	})
}

// loginPage asks for the token.
func (s *Server) loginPage(w http.ResponseWriter, r *http.Request, status int, wrong string) {
	next := r.PostFormValue("next")
	if r.Method == http.MethodGet && r.URL.Path != "/login" {
		next = r.URL.RequestURI()
	}
	s.write(w, status, "login", "Token", g.Group{
		h.H1(g.Text("Sign in: enter the access token")),
		ui.Problem(wrong, h.Role("alert")),
		h.Form(h.Class("panel"), h.Method("post"), h.Action("/login"),
			ui.Hidden("next", api.OwnPath(cmp.Or(next, "/"))),
			ui.Field("Token", "token", h.Type("password"), h.Required(), ui.MaxLength(200), h.AutoComplete("current-password")), g.Text(" "),
			ui.Button("Sign in")),
		ui.Meta(g.Text("The token is in the file that --token-file of the hub names.")),
	})
}
