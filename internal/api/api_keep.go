package api

import (
	"bytes"
	"context"
	"net/http"
	"reflect"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/backbone"
	"muster/internal/release"
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

type operation func(id, method, route, summary, tag string, status int, errs ...int) huma.Operation

// addOrders registers work orders.
func (s *Server) addOrders(api huma.API, post operation) {
	read(api, "list-work-orders", "/work-orders", "The work order being followed, with its progress; an empty list when there is none", "work",
		func(context.Context, *struct{}) ([]Work, error) {
			list := []Work{}
			if work := s.opt.Desk.Work(); work.Order != nil {
				list = append(list, work)
			}
			return list, nil
		})
	read(api, "get-conditions", "/conditions", "Battery voltage, engines and speed by the traffic of the last seconds; unknown values are absent", "work",
		func(context.Context, *struct{}) (Conditions, error) {
			return s.opt.Conditions(), nil
		})
	follow := post("follow-work-order", http.MethodPost, "/work-orders", "Follow a work order; replaces the current one", "work", 201, 413)
	follow.SkipValidateBody = true // ParseOrder reads it, and no one else
	answering(api, follow,
		func(ctx context.Context, in *struct{ Body orderText }) (Work, error) {
			order, err := release.ParseOrder(ctx, in.Body)
			if err == nil {
				err = s.opt.Desk.Follow(ctx, order)
			}
			return s.opt.Desk.Work(), problem(err)
		})
	huma.Register(api, post("end-work-order", http.MethodDelete, "/work-orders/current", "Stop following the work order", "work", 204, 404),
		func(ctx context.Context, _ *struct{}) (*struct{}, error) {
			return nil, problem(s.opt.Desk.Follow(ctx, nil))
		})
	huma.Register(api, post("confirm-step", http.MethodPost, "/work-orders/current/steps/{step}/confirm", "Enter a version read from the screen of a device", "work", 204, 404, 413),
		func(ctx context.Context, in *struct {
			Step string `path:"step" maxLength:"20"`
			Body struct {
				By
				Version string `json:"version" minLength:"1" maxLength:"80"`
				Reason  string `json:"reason,omitempty" maxLength:"400" doc:"settles what the network shows otherwise, or a battery voltage that fell; needs by"`
			}
		}) (*struct{}, error) {
			b := &in.Body
			return nil, problem(s.opt.Desk.Confirm(ctx, in.Step, release.Reading{Version: b.Version, By: b.By.By, Reason: b.Reason}))
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

// orderText is a work order as it was sent.
type orderText []byte

// UnmarshalJSON keeps the text.
func (t *orderText) UnmarshalJSON(text []byte) error {
	*t = bytes.Clone(text)
	return nil
}

// Schema is that of the order.
func (orderText) Schema(r huma.Registry) *huma.Schema {
	return r.Schema(reflect.TypeFor[release.Order](), true, "")
}
