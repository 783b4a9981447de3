package pages

import (
	"net/http"

	g "maragu.dev/gomponents"

	"muster/internal/report"
	"muster/internal/ui"
)

type boatPage struct {
	ui.BoatReport
	drawings []drawing
	trends   trends
}

func (s *site) boatData(req *http.Request, r *report.Report) (string, content, error) {
	q := req.URL.Query()
	return "", boatPage{ui.NewBoatReport(r, ui.ReadUnitChoice(q)), s.drawings(r), s.trendsOf(q)}, nil
}

func (p boatPage) show(v *view) g.Node {
	return p.Node(&v.Showing, g.Iff(v.Act, v.bulkActs), g.Group{drawnNetworks(v, p.drawings), p.trends.node(v)})
}
