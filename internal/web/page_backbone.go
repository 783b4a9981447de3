package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/record"
)

// shownPlan is the layout of a backbone as judged and held against the network.
type shownPlan struct {
	*backbone.Audit
	ID  string     // for the page: unlike those of other plans
	Job record.Job // what the form of its commissioning report begins with
}

// addPlans puts every layout to its network, and those whose network is not there to the rest.
func (s *Server) addPlans(p *networkPage, r *boat.Report) {
	for _, plan := range s.opt.Plans() {
		a := plan.Now(r)
		at := slices.IndexFunc(p.Networks, func(n shownNetwork) bool { return a.Problem == "" && n.ID == a.Network })
		id := a.Network
		if at < 0 {
			id = "plan-" + id
		}
		shown := &shownPlan{Audit: a, ID: id, Job: s.sharedJob()}
		if at < 0 {
			p.Plans = append(p.Plans, shown)
		} else {
			p.Networks[at].Plan = shown
		}
	}
}

// commissioningReport makes the printed report of a layout held against its network; PDF when the path says so.
func (s *Server) commissioningReport(w http.ResponseWriter, r *http.Request) {
	q, report := r.URL.Query(), s.opt.Reports.Report()
	var a *backbone.Audit
	for _, plan := range s.opt.Plans() {
		if now := plan.Now(report); a == nil && (q.Get("network") == "" || now.Network == q.Get("network")) {
			a = now
		}
	}
	if a == nil {
		s.failed(w, r, fmt.Errorf("layout of network %q: %w: name its file under layout in the config", q.Get("network"), ErrNoSuch))
		return
	}
	job, err := jobOf(q, nil, s.sharedJob())
	var out bytes.Buffer
	kind := "text/html; charset=utf-8"
	switch {
	case err != nil:
	case strings.HasSuffix(r.URL.Path, ".pdf"):
		kind, err = "application/pdf", a.WritePDF(&out, job, report.TakenAt.UTC())
	default:
		err = a.WriteHTML(&out, job)
	}
	if err != nil {
		s.failed(w, r, err)
		return
	}
	standAlone(w, kind)
	_, _ = out.WriteTo(w)
}

// addBackbones registers the layouts.
func (s *Server) addBackbones(api huma.API) {
	read(api, "list-backbones", "/backbones", "Layouts of the boat's backbones as judged, each held against its network", "boat",
		func(context.Context, *struct{}) (*body[[]*backbone.Audit], error) {
			list := []*backbone.Audit{}
			for _, plan := range s.opt.Plans() {
				list = append(list, plan.Now(s.opt.Reports.Report()))
			}
			return &body[[]*backbone.Audit]{list}, nil
		})
}
