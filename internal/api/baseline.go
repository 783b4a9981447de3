package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/snapshot"
)

// Baseline is the accepted state of the boat: missing, new and replaced devices raise an alert.
type Baseline struct {
	Kept
	Named   bool               `json:"named" doc:"Set in the config, and changed there only."`
	Content *snapshot.Snapshot `json:"content"`
}

// Baseline is the one in force, nil for none.
func (s *Server) Baseline() *Baseline {
	snap, named := s.opt.Desk.Baseline()
	if snap == nil {
		return nil
	}
	b := &Baseline{Kept: about("", snap), Named: named, Content: snap}
	if snap.Seal != nil {
		b.ID = idOf(snap)
	}
	return b
}

// SetBaseline makes a kept snapshot the baseline.
func (s *Server) SetBaseline(ctx context.Context, id string) error {
	snap, err := s.shelf.get(id)
	if err != nil {
		return err
	}
	return s.opt.Desk.SetBaseline(ctx, snap)
}

// addBaseline registers the baseline.
func (s *Server) addBaseline(api huma.API) {
	act := func(id, method, summary string, errs ...int) huma.Operation {
		return huma.Operation{OperationID: id, Method: method, Path: Prefix + "/baseline", Summary: summary, Tags: []string{"snapshots"}, MaxBodyBytes: BodyLimit,
			BodyReadTimeout: s.opt.bodyWithin, DefaultStatus: 204, Errors: append([]int{401, 403, 404, 409, 422, 501, 503}, errs...)}
	}
	read(api, "get-baseline", "/baseline", "The baseline: the snapshot that the boat is compared with", "snapshots", func(context.Context, *struct{}) (*Baseline, error) {
		b := s.Baseline()
		if b == nil {
			return nil, huma.Error404NotFound("no baseline is set: set one by PUT " + Prefix + "/baseline")
		}
		return b, nil
	}, 404)
	huma.Register(api, act("set-baseline", http.MethodPut, "Set the baseline to a kept snapshot; missing, new and replaced devices raise an alert", 413),
		func(ctx context.Context, in *struct {
			Body struct {
				Snapshot string `json:"snapshot" minLength:"1" maxLength:"40" doc:"Id of a kept snapshot."`
			}
		}) (*struct{}, error) {
			return nil, problem(s.SetBaseline(ctx, in.Body.Snapshot))
		})
	huma.Register(api, act("end-baseline", http.MethodDelete, "Remove the baseline"),
		func(ctx context.Context, _ *struct{}) (*struct{}, error) {
			return nil, problem(s.opt.Desk.SetBaseline(ctx, nil))
		})
}
