package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/backbone"
	"muster/internal/report"
	"muster/internal/snapshot"
)

// addKeeping registers snapshots and comparisons.
func (s *Server) addKeeping(api huma.API) {
	read(api, "list-snapshots", "/snapshots", "Kept snapshots, latest first", "snapshots", func(context.Context, *struct{}) ([]Kept, error) {
		return s.Snapshots(), nil
	})
	answering(api, huma.Operation{OperationID: "take-snapshot", Method: http.MethodPost, Path: Prefix + "/snapshots", DefaultStatus: 201,
		Summary: "Take and seal a snapshot of the present report", Tags: []string{"snapshots"}, Errors: []int{401, 403, 409, 422, 503}},
		func(context.Context, *struct{}) (Kept, error) {
			k, err := s.TakeSnapshot()
			return k, problem(err)
		})
	read(api, "get-snapshot", "/snapshots/{id}", "One snapshot with its seal", "snapshots", func(_ context.Context, in *struct {
		ID string `path:"id" maxLength:"40"`
	}) (*snapshot.Snapshot, error) {
		snap, err := s.shelf.get(in.ID)
		return snap, problem(err)
	}, 404, 422)
	read(api, "compare-snapshots", "/comparison", "What changed from one snapshot to another", "snapshots", func(_ context.Context, in *struct {
		Before string `query:"before" required:"true" maxLength:"40"`
		After  string `query:"after" required:"true" maxLength:"40"`
	}) (*snapshot.Comparison, error) {
		_, _, c, err := s.Compare(in.Before, in.After)
		return c, problem(err)
	}, 404, 422)
}

// Snapshots lists what is kept, latest first.
func (s *Server) Snapshots() []Kept { return s.shelf.kept() }

// TakeSnapshot keeps a snapshot of the present report and passes it to Options.Taken.
func (s *Server) TakeSnapshot() (Kept, error) {
	k, err := s.shelf.take(s.opt.Reports.Report(), s.opt.Version)
	if err != nil || s.opt.Taken == nil {
		return k, err
	}
	if snap, err := s.shelf.get(k.ID); err == nil {
		s.opt.Taken(snap)
	}
	return k, nil
}

// SealedSnapshot is TakeSnapshot that gives the snapshot itself.
func (s *Server) SealedSnapshot() (*snapshot.Snapshot, error) {
	k, err := s.TakeSnapshot()
	if err != nil {
		return nil, err
	}
	return s.shelf.get(k.ID)
}

// Compare compares two kept snapshots.
func (s *Server) Compare(before, after string) (b, a *snapshot.Snapshot, c *snapshot.Comparison, err error) {
	if b, err = s.shelf.get(before); err != nil {
		return nil, nil, nil, err
	}
	if a, err = s.shelf.get(after); err != nil {
		return nil, nil, nil, err
	}
	c, err = snapshot.Compare(b, a, snapshot.Options{Order: s.versionOrder()})
	return b, a, c, err
}

// addOrders registers work orders.
func (s *Server) addOrders(api huma.API) {
	read(api, "list-work-orders", "/work-orders", "The work order of the open job, with its progress; an empty list when there is none", "work",
		func(context.Context, *struct{}) ([]Work, error) {
			list := []Work{}
			if j := s.opt.Desk.Job(); j.Open() && j.Work.Order != nil {
				list = append(list, j.Work)
			}
			return list, nil
		})
	read(api, "get-conditions", "/conditions", "Battery voltage, engines and speed by the traffic of the last seconds; unknown values are absent", "work",
		func(context.Context, *struct{}) (Conditions, error) {
			return s.opt.Conditions(), nil
		})
}

// addBackbones registers the layouts.
func (s *Server) addBackbones(api huma.API) {
	read(api, "list-backbones", "/backbones", "Layouts of the boat's backbones, each checked and compared with its network", "boat",
		func(context.Context, *struct{}) ([]*backbone.Audit, error) {
			list := []*backbone.Audit{}
			for _, plan := range s.opt.Plans() {
				list = append(list, plan.Now(s.opt.Reports.Report()))
			}
			return list, nil
		})
}

// versionOrder is how the release sheets put two versions in order; nil without sheets.
func (s *Server) versionOrder() func(*report.Device, string, string) (int, bool) {
	if sheets := s.opt.Sheets(); sheets != nil {
		return sheets.Order
	}
	return nil
}
