package pages

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/fleet"
	"muster/internal/fleet/trust"
	"muster/internal/input"
	"muster/internal/render"
	"muster/internal/ui"
)

// errNoKeys is why a hub cannot enrol.
var errNoKeys = errors.New("this hub has no keys: boats are enrolled at the hub whose folder holds them")

// NewCode is for which boat a code is made.
type NewCode struct {
	Boat   string `json:"boat" minLength:"1" maxLength:"64" doc:"Its id: lower-case letters, digits and hyphens."`
	Marina string `json:"marina,omitempty" maxLength:"60"`
}

// MadeCode is a code, which is shown this once.
type MadeCode struct {
	Boat    string    `json:"boat"`
	Code    string    `json:"code" doc:"What muster join takes: the address of this hub with the code."`
	Expires time.Time `json:"expires"`
}

// newCode makes a code; at is the address of the pages.
func (s *Server) newCode(n NewCode, at string) (MadeCode, error) {
	if s.opt.Trust == nil {
		return MadeCode{}, errNoKeys
	}
	id, marina := strings.TrimSpace(n.Boat), boat.Printable(strings.TrimSpace(n.Marina))
	code, c, err := s.opt.Trust.NewCode(id, marina, s.opt.Now())
	if err != nil {
		return MadeCode{}, err
	}
	return MadeCode{c.Boat, at + fleet.JoinPrefix + code, c.Expires}, nil
}

// address is where people and boats reach the pages.
func (s *Server) address(r *http.Request) string {
	if s.opt.ExternalURL != "" {
		return strings.TrimSuffix(s.opt.ExternalURL, "/")
	}
	if r == nil {
		return s.URL()
	}
	scheme := "http://"
	if s.door.Secure(r) {
		scheme = "https://"
	}
	return scheme + r.Host
}

// boatsURLs are where boats reach the message server. Without a host of its own it is that of the pages.
func (s *Server) boatsURLs(r *http.Request) []string {
	u, err := url.Parse(s.address(r))
	if err != nil {
		return s.opt.BoatsURLs
	}
	out := make([]string, len(s.opt.BoatsURLs))
	for i, text := range s.opt.BoatsURLs {
		out[i] = text
		if b, err := url.Parse(text); err == nil && b.Hostname() == "" {
			b.Host = net.JoinHostPort(u.Hostname(), b.Port())
			out[i] = b.String()
		}
	}
	return out
}

// join enrols a boat computer that shows a code. It is asked without a token: the code is one.
func (s *Server) join(w http.ResponseWriter, r *http.Request) {
	answer := func(status int, v any) {
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("Content-Type", "application/json")
		if status != http.StatusOK {
			w.Header().Set("Content-Type", "application/problem+json")
		}
		w.WriteHeader(status)
		_ = json.NewEncoder(w).Encode(v)
	}
	refused := func(status int, err error) {
		answer(status, map[string]any{"title": http.StatusText(status), "status": status, "detail": err.Error()})
	}
	var q fleet.JoinRequest
	body, err := input.Read(r.Context(), "", r.Body, maxJoin)
	if err == nil {
		err = input.OpenJSON(r.Context(), "", body, &q)
	}
	if err != nil {
		refused(http.StatusBadRequest, errors.New("the request cannot be read"))
		return
	}
	if s.opt.Trust == nil {
		refused(http.StatusServiceUnavailable, errNoKeys)
		return
	}
	log := s.opt.Log.With().Str("boat", boat.Printable(q.Boat)).Str("version", boat.Printable(q.Version)).Logger()
	e, token, err := s.opt.Trust.Join(q.Code, q.Boat, q.Key, s.opt.Now())
	switch {
	case errors.Is(err, trust.ErrNoCode):
		log.Warn().Err(err).Msg("a boat computer was refused")
		if !s.door.Wrong(r) {
			w.Header().Set("Retry-After", "60")
			refused(http.StatusTooManyRequests, errors.New("too many wrong codes came from this address: wait a minute"))
			return
		}
		refused(http.StatusForbidden, err)
	case err != nil:
		log.Warn().Err(err).Msg("a boat computer was refused")
		refused(http.StatusForbidden, err)
	default:
		s.opt.Log.Info().Str("boat", e.Boat).Str("version", boat.Printable(q.Version)).Msg("a boat joined")
		s.opt.Trust.Await(joinWithin) // so that the server takes the boat at once
		answer(http.StatusOK, fleet.Joined{Boat: e.Boat, URLs: s.boatsURLs(r), Token: token})
	}
}

// maxJoin bounds the request of a boat that joins, in bytes.
const maxJoin = 4096

// joinWithin is how long a joining boat waits for the hub to put its enrolment in force.
const joinWithin = 5 * time.Second

// enrolPage lists the codes, and makes one.
func (s *Server) enrolPage(*http.Request) (string, g.Node, error) { return s.enrolling(nil) }

func (s *Server) enrolling(made *MadeCode) (string, g.Node, error) {
	const title = "Enrol a boat"
	if s.opt.Trust == nil {
		return title, g.Group{h.H1(g.Text(title)), ui.Problem(errNoKeys.Error())}, nil
	}
	codes, err := s.opt.Trust.Codes()
	if err != nil {
		return "", nil, err
	}
	rows := g.Map(codes[:min(len(codes), perPage)], s.codeRow)
	return title, g.Group{
		h.H1(g.Text(title)),
		g.Iff(made != nil, func() g.Node { return made.section() }),
		h.Form(h.Class("panel grid"), h.Method("post"), h.Action("/enrol"), h.Aria("label", title),
			ui.Field("Boat id", "boat", h.Required(), ui.MaxLength(64), h.Pattern("[a-z0-9\\-]+"), h.Placeholder("wagtail")),
			ui.Field("Marina", "marina", ui.MaxLength(60)),
			h.P(ui.Button("Make a code", h.Class("main")))),
		ui.Meta(g.Textf("A code works once, within %.0f hours, for one boat. The boat computer makes its own key: no file is copied.", trust.CodeLasts.Hours())),
		ui.Section("codes", "Codes", h.Table(h.THead(render.Columns("Boat", "Marina", "Made", "State")),
			h.TBody(ui.OrElse(rows, h.Tr(h.Td(h.ColSpan("4"), h.Class("empty"), g.Text("No code was made.")))))))}, nil
}

// section shows a code, once.
func (m *MadeCode) section() g.Node {
	command := "muster join " + m.Code
	return h.Section(h.Class("verdict info"), h.Aria("label", "Code"),
		h.Div(h.P(g.Text("On the boat computer of "+m.Boat+", run:")), h.P(h.Class("sentence"), h.Code(g.Text(command))),
			ui.Meta(g.Text("Shown once. Valid until "+when(m.Expires)+"."))),
		render.Code(command))
}

func (s *Server) codeRow(c trust.Code) g.Node {
	state := ui.StateAs("waiting", "open until "+when(c.Expires))
	switch {
	case !c.Used.IsZero():
		state = ui.StateAs("verified", "used "+when(c.Used))
	case s.opt.Now().After(c.Expires):
		state = ui.StateAs("stopped", "expired")
	}
	return h.Tr(h.Th(h.Scope("row"), ui.Printable(c.Boat)), h.Td(ui.Printable(c.Marina)), h.Td(g.Text(when(c.Made))),
		h.Td(state, g.If(c.Refused != "", ui.Small("refused "+when(c.At)+": "+boat.Printable(c.Refused)))))
}

// enrol makes the code of the form.
func (s *Server) enrol(w http.ResponseWriter, r *http.Request) {
	made, err := s.newCode(NewCode{Boat: r.PostFormValue("boat"), Marina: r.PostFormValue("marina")}, s.address(r))
	if err != nil {
		s.failed(w, err)
		return
	}
	title, content, err := s.enrolling(&made)
	if err != nil {
		s.failed(w, err)
		return
	}
	s.write(w, http.StatusOK, "enrol", title, content)
}

// revoke ends the access of a boat.
func (s *Server) revoke(id, why string) error {
	if s.opt.Trust == nil {
		return errNoKeys
	}
	return s.opt.Trust.Revoke(id, boat.Printable(strings.TrimSpace(why)), s.opt.Now())
}

// revokeForm revokes a boat from its page.
func (s *Server) revokeForm(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	if err := s.revoke(id, r.PostFormValue("why")); err != nil {
		s.failed(w, err)
		return
	}
	http.Redirect(w, r, "/boats/"+url.PathEscape(id), http.StatusSeeOther)
}

// revoking is the form that ends the access of a boat.
func (s *Server) revoking(b *row) g.Node {
	if s.opt.Trust == nil || b.revoked() || b.Enrolled.IsZero() {
		return nil
	}
	return h.Details(h.Class("act"), h.Summary(g.Text("Revoke access")),
		ui.Post("/boats/"+url.PathEscape(b.ID)+"/revoke", ui.Field("Why", "why", ui.MaxLength(200)), g.Text(" "), ui.Button("Revoke access of "+b.ID)))
}

// addEnrolling registers the operations that let boats in and shut them out.
func (s *Server) addEnrolling(ops huma.API) {
	api.Read(ops, "list-codes", "/codes", "Codes that were made for boats, latest first", "enrolment", func(context.Context, *struct{}) ([]trust.Code, error) {
		if s.opt.Trust == nil {
			return nil, huma.Error503ServiceUnavailable(errNoKeys.Error())
		}
		list, err := s.opt.Trust.Codes()
		return orEmpty(list), problem(err)
	}, 503)
	api.Act(ops, "make-code", "/codes", "Make a code with which one boat computer enrols itself once", "enrolment",
		func(_ context.Context, in *struct{ Body NewCode }) (MadeCode, error) {
			made, err := s.newCode(in.Body, s.address(nil))
			return made, acted(err)
		}, 422, 503)
	api.Act(ops, "revoke-boat", "/boats/{id}/revoke", "Revoke the access of a boat", "enrolment",
		func(_ context.Context, in *struct {
			BoatPath
			Body struct {
				Why string `json:"why,omitempty" maxLength:"200"`
			}
		}) (*struct{}, error) {
			return nil, acted(s.revoke(in.ID, in.Body.Why))
		}, 404, 409, 422, 503)
}

// acted turns an error of an act into the answer with its status.
func acted(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, errNoKeys):
		return huma.Error503ServiceUnavailable(err.Error())
	case errors.Is(err, trust.ErrUnknown):
		return huma.Error404NotFound(fmt.Sprintf("%v: /api/v1/boats lists them", err))
	case errors.Is(err, trust.ErrRevoked):
		return huma.Error409Conflict(err.Error())
	}
	return huma.Error422UnprocessableEntity(err.Error())
}
