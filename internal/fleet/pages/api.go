package pages

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/api"
	"muster/internal/fleet/hub"
	"muster/internal/report"
)

// BoatRow is one boat of the fleet.
type BoatRow struct {
	ID        string      `json:"id"`
	Name      string      `json:"name,omitempty"`
	Marina    string      `json:"marina,omitempty"`
	Verdict   hub.Verdict `json:"verdict" enum:"ok,watch,visit,silent,never"`
	LastHeard time.Time   `json:"last_heard,omitzero"`
	Alerts    int         `json:"alerts" doc:"Open alerts."`
	Devices   int         `json:"devices"`
	Behind    int         `json:"behind" doc:"Units older than the current release of their sheet."`
	Version   string      `json:"version,omitempty" doc:"Of muster on its boat computer."`
	Revoked   time.Time   `json:"revoked,omitzero"`
	Why       string      `json:"why,omitempty" doc:"Why it was revoked, where that is known."`
}

// BoatList is one page of the fleet, worst first.
type BoatList struct {
	Total int       `json:"total" doc:"Boats found, on all pages."`
	Boats []BoatRow `json:"boats"`
}

// BoatDetail is one boat.
type BoatDetail struct {
	hub.Boat
	Verdict hub.Verdict `json:"verdict" enum:"ok,watch,visit,silent,never"`
	Behind  int         `json:"behind"`
}

// problem turns an error of the fleet into the answer with its status.
func problem(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, hub.ErrNotFound):
		return huma.Error404NotFound(err.Error())
	case errors.Is(err, hub.ErrNoOrder):
		return huma.Error422UnprocessableEntity(err.Error())
	}
	return huma.Error503ServiceUnavailable(err.Error())
}

func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// BoatPath is the path of one boat.
type BoatPath struct {
	ID string `path:"id" maxLength:"64"`
}

// openAPI is what api.Describe writes of the operations; TestDescription holds it to them.
//
//go:embed openapi.json
var openAPI []byte

// apiAbout describes the API.
const apiAbout = "What the boats of a fleet have reported. Times are RFC 3339 in UTC; unknown values are absent."

func (s *Server) addAPI(mux *http.ServeMux) { api.ServeAPI(mux, openAPI, s.operations) }

// operations registers every operation.
func (s *Server) operations(ops huma.API) {
	s.addBoats(ops)
	s.addLists(ops)
	s.addEnrolling(ops)
	s.addEvents(ops)
}

func (s *Server) addLists(ops huma.API) {
	api.Read(ops, "search", "/search", "Units of the fleet; those whose order is unknown, then those that are away, are last", "search",
		func(_ context.Context, in *struct {
			Text         string `query:"q" maxLength:"100" doc:"In any of manufacturer, model, serial, software, role, boat."`
			Boat         string `query:"boat" maxLength:"64"`
			Manufacturer string `query:"manufacturer" maxLength:"100"`
			Model        string `query:"model" maxLength:"100"`
			Serial       string `query:"serial" maxLength:"100"`
			Role         string `query:"role" maxLength:"32"`
			Version      string `query:"version" maxLength:"100" doc:"This software version."`
			Below        string `query:"below" maxLength:"100" doc:"Older than this, by the order of the sheets."`
			Limit        int    `query:"limit" minimum:"1" maximum:"100000" default:"1000"`
		}) ([]hub.Hit, error) {
			hits, err := s.opt.Fleet.Search(hub.Query{Text: in.Text, Boat: in.Boat, Manufacturer: in.Manufacturer, Model: in.Model, Serial: in.Serial,
				Role: in.Role, Version: in.Version, Below: in.Below, Limit: in.Limit})
			return orEmpty(hits), problem(err)
		}, 422, 503)
	api.Read(ops, "list-campaigns", "/campaigns", "State of the fleet by the release sheets, most behind first", "campaigns",
		func(context.Context, *struct{}) ([]Campaign, error) {
			return s.campaigns(s.boats()), nil
		})
	api.Read(ops, "get-campaign", "/campaigns/{model}", "One campaign with its devices and days", "campaigns",
		func(ctx context.Context, in *struct {
			Model string `path:"model" maxLength:"100"`
		}) (*CampaignDetail, error) {
			c := s.campaign(s.boats(), in.Model)
			if c == nil {
				return nil, huma.Error404NotFound(fmt.Sprintf("there is no campaign of model %q: /api/v1/campaigns lists them", in.Model))
			}
			c.Days = s.days(ctx, c.Model)
			return c, nil
		}, 404, 422)
	api.Read(ops, "list-alerts", "/alerts", "Open alerts by check, worst first", "alerts", func(context.Context, *struct{}) ([]AlertGroup, error) {
		return alertGroups(s.boats()), nil
	})
	api.Read(ops, "list-refusals", "/refusals", "Rejected messages with the reasons, latest first", "refusals", func(ctx context.Context, in *struct {
		Limit int `query:"limit" minimum:"1" maximum:"10000" default:"200"`
	}) ([]hub.Refusal, error) {
		list, err := s.opt.Fleet.Refusals(ctx, in.Limit)
		return orEmpty(list), problem(err)
	}, 422, 503)
}

func (s *Server) addBoats(ops huma.API) {
	api.Read(ops, "get-fleet", "/fleet", "The fleet in numbers", "fleet", func(context.Context, *struct{}) (Summary, error) {
		return s.summarize(s.boats()), nil
	})
	api.Read(ops, "list-boats", "/boats", "Boats, worst first", "fleet", func(_ context.Context, in *struct {
		Verdict string `query:"verdict" enum:"ok,watch,visit,silent,never"`
		Text    string `query:"q" maxLength:"100" doc:"In the id or the name."`
		Marina  string `query:"marina" maxLength:"60"`
		Sort    string `query:"sort" maxLength:"20" doc:"Key of a column of the page, after a minus for the other direction. Default: worst first."`
		Offset  int    `query:"offset" minimum:"0" default:"0"`
		Limit   int    `query:"limit" minimum:"1" maximum:"10000" default:"100"`
	}) (BoatList, error) {
		c := choice{hub.Verdict(in.Verdict), in.Text, in.Marina, in.Sort}
		if err := c.check(); err != nil {
			return BoatList{}, huma.Error422UnprocessableEntity(err.Error())
		}
		rows := c.choose(s.boats())
		out := BoatList{Total: len(rows), Boats: []BoatRow{}}
		rows = rows[min(in.Offset, len(rows)):]
		for _, r := range rows[:min(in.Limit, len(rows))] {
			out.Boats = append(out.Boats, BoatRow{r.ID, r.Name, r.Marina, r.Verdict, r.LastHeard, len(r.Alerts), r.Aboard(),
				r.Behind, r.Version, r.Revoked, r.Why})
		}
		return out, nil
	}, 422)
	unknown := func(id string) error {
		return huma.Error404NotFound(fmt.Sprintf("no boat has the id %q: /api/v1/boats lists them", id))
	}
	api.Read(ops, "get-boat", "/boats/{id}", "One boat", "fleet", func(_ context.Context, in *BoatPath) (BoatDetail, error) {
		r := s.boat(in.ID)
		if r == nil {
			return BoatDetail{}, unknown(in.ID)
		}
		return BoatDetail{*r.Boat, r.Verdict, r.Behind}, nil
	}, 404, 422)
	api.Read(ops, "get-unit", "/boats/{id}/units/{unit}", "One unit: where it is now, and on which boats it was", "fleet",
		func(_ context.Context, in *struct {
			BoatPath
			Unit string `path:"unit" maxLength:"200"`
		}) (*hub.Unit, error) {
			u := s.opt.Fleet.Unit(in.ID, in.Unit)
			if u == nil {
				return nil, huma.Error404NotFound(fmt.Sprintf("boat %q has no unit %q: /api/v1/search lists them", in.ID, in.Unit))
			}
			return u, nil
		}, 404, 422)
	api.Read(ops, "get-boat-report", "/boats/{id}/report", "A report of a boat", "fleet", func(ctx context.Context, in *struct {
		BoatPath
		At uint64 `query:"at" doc:"Its number in the history; the latest when it is left out."`
	}) (*report.Report, error) {
		r, err := s.opt.Fleet.Report(ctx, in.ID, in.At)
		return r, problem(err)
	}, 404, 422, 503)
	api.Read(ops, "get-boat-history", "/boats/{id}/history", "What a boat sent, latest first", "fleet", func(ctx context.Context, in *struct {
		BoatPath
		Limit int `query:"limit" minimum:"1" maximum:"10000" default:"200"`
	}) ([]hub.Past, error) {
		if s.opt.Fleet.Boat(in.ID) == nil {
			return nil, unknown(in.ID)
		}
		list, err := s.opt.Fleet.History(ctx, in.ID, in.Limit)
		return orEmpty(list), problem(err)
	}, 404, 422, 503)
}

// addEvents registers the event stream. Its mark changes with the fleet and, as verdicts do with time, every minute.
func (s *Server) addEvents(ops huma.API) {
	huma.Register(ops, huma.Operation{OperationID: "stream-fleet", Method: http.MethodGet, Path: "/api/v1/events", Tags: []string{"fleet"},
		Summary: "Event stream: an event named report for each change of the fleet, whose id and data identify its state", Errors: []int{401, 503},
		Responses: map[string]*huma.Response{"200": {Description: "Events until the client disconnects.",
			Content: map[string]*huma.MediaType{"text/event-stream": {Schema: &huma.Schema{Type: "string"}}}}}},
		func(_ context.Context, in *struct {
			LastID string `header:"Last-Event-ID" maxLength:"64"`
		}) (*huma.StreamResponse, error) {
			last := in.LastID
			return &huma.StreamResponse{Body: func(ctx huma.Context) {
				s.turns.Open(ctx, func(send func(string, ...any) bool) bool {
					mark := fmt.Sprintf("%d-%d", s.opt.Fleet.Revision(), s.opt.Now().Unix()/60)
					if mark == last {
						return true
					}
					last = mark
					return send("id: %s\nevent: report\ndata: %s\n\n", mark, mark)
				})
			}}, nil
		})
}
