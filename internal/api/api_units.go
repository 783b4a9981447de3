package api

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/boat"
)

// SameUnit is what a person decides of two presences, whatever they report.
type SameUnit struct {
	A    string `json:"a" minLength:"1" maxLength:"100" doc:"Id of a unit or presence: a NAME, network/address, line/letters, or the id of an entry by hand."`
	B    string `json:"b" minLength:"1" maxLength:"100" doc:"Id of the other one."`
	Same bool   `json:"same" doc:"Whether they are one unit; otherwise they are two."`
	By   string `json:"by" minLength:"1" maxLength:"60" doc:"Name of the person who decides."`
}

// Decision checks the entry beyond its schema.
func (e SameUnit) Decision() (boat.Decision, error) {
	d := boat.Decision{A: strings.TrimSpace(e.A), B: strings.TrimSpace(e.B), Same: e.Same, By: boat.Printable(strings.TrimSpace(e.By))}
	switch {
	case d.A == d.B:
		return d, errors.New("b: give the id of another unit or presence than a")
	case d.By == "" || len(d.By) > 240:
		return d, errors.New("by: enter your name, 60 characters at most")
	}
	return d, nil
}

// addUnits registers what is decided by hand of units.
func (s *Server) addUnits(api huma.API, post func(id, method, route, summary, tag string, status int, errs ...int) huma.Operation) {
	read(api, "list-decisions", "/units/decisions", "What was decided by hand of which presences are one unit", "boat",
		func(context.Context, *struct{}) ([]boat.Decision, error) {
			return append([]boat.Decision{}, s.opt.Desk.Decisions()...), nil
		})
	huma.Register(api, post("decide-unit", http.MethodPost, "/units/decisions", "Decide that two presences are one unit, or two", "boat", 204, 404, 409, 413),
		func(ctx context.Context, in *struct{ Body SameUnit }) (*struct{}, error) {
			d, err := in.Body.Decision()
			if err == nil {
				err = s.opt.Desk.Decide(ctx, d)
			}
			return nil, problem(err)
		})
	huma.Register(api, post("remove-decision", http.MethodDelete, "/units/decisions", "Remove what was decided of two presences", "boat", 204, 404),
		func(ctx context.Context, in *struct {
			A string `query:"a" required:"true" maxLength:"100" doc:"Id of a unit or presence."`
			B string `query:"b" required:"true" maxLength:"100" doc:"Id of the other one."`
		}) (*struct{}, error) {
			return nil, problem(s.opt.Desk.Undecide(ctx, in.A, in.B))
		})
}
