package pages

import (
	"net/http"

	g "maragu.dev/gomponents"

	"muster/internal/report"
	"muster/internal/ui"
)

type boatPage struct{ ui.BoatReport }

func (s *site) boatData(req *http.Request, r *report.Report) (string, content, error) {
	return "", boatPage{ui.NewBoatReport(r, ui.ReadUnitChoice(req.URL.Query()))}, nil
}

func (p boatPage) show(v *view) g.Node {
	return p.Node(&v.Showing, g.Iff(v.Act, v.bulkActs), nil)
}
