package web

import (
	"context"
	"html/template"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/backbone"
	"muster/internal/boat"
)

// shownPlan is the layout of a backbone as judged and held against the network.
type shownPlan struct {
	*backbone.Audit
	ID      string // for the page: unlike those of other plans
	Picture template.HTML
}

// showPlan makes a picture of an audit.
func showPlan(id string, a *backbone.Audit) (*shownPlan, error) {
	picture, err := a.Picture()
	if err != nil {
		return nil, err
	}
	return &shownPlan{a, id, template.HTML(picture)}, nil // a template of our own escaped the names in it
}

// addPlans puts every layout to its network, and those whose network is not there to the rest.
func (s *Server) addPlans(p *networkPage, r *boat.Report) error {
	for _, plan := range s.opt.Plans() {
		a := plan.Now(r)
		at := -1
		for i := range p.Networks {
			if a.Problem == "" && p.Networks[i].ID == a.Network {
				at = i
			}
		}
		if at < 0 {
			shown, err := showPlan("plan-"+a.Network, a)
			if err != nil {
				return err
			}
			p.Plans = append(p.Plans, shown)
			continue
		}
		shown, err := showPlan(p.Networks[at].ID, a)
		if err != nil {
			return err
		}
		p.Networks[at].Plan = shown
	}
	return nil
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
