package web

import (
	"net/http"

	"muster/internal/boat"
	"muster/internal/record"
	"muster/internal/snapshot"
)

type proofPage struct {
	Kept          []Kept
	Baseline      *Baseline
	Before, After string
	Comparison    *snapshot.Comparison
	Problem       string
	Job           *record.Job // what the form begins with
	Order         bool        // there is a work order that the service record may tell of
	Remaining     []string    // checks whose findings remain, sorted
}

func (s *Server) proofData(r *http.Request, _ *boat.Report) (string, content, error) {
	q := r.URL.Query()
	p := proofPage{Kept: s.shelf.kept(), Baseline: s.baseline(), Before: q.Get("before"), After: q.Get("after")}
	if p.Before != "" || p.After != "" {
		_, _, c, err := s.compare(p.Before, p.After)
		if p.Comparison = c; err != nil {
			p.Problem = boat.Printable(err.Error())
		}
		order := s.opt.Desk.LastWork().Order
		if p.Order, p.Remaining = order != nil, remaining(c); c != nil {
			p.Job = s.firstJob(c, order)
		}
	} else if n := len(p.Kept); n > 1 {
		p.Before, p.After = p.Kept[n-1].ID, p.Kept[0].ID
	}
	return "Proof", templated{"proof", p}, nil
}
