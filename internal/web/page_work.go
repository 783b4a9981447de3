package web

import (
	"net/http"

	"muster/internal/boat"
	"muster/internal/release"
)

type workPage struct {
	Work
	Groups    []workGroup
	Roles     []boat.Role
	DoneSteps int
	Steps     int
}

type workGroup struct {
	release.Group
	Steps []workStep
}

type workStep struct {
	*release.Step
	Status release.StepStatus
}

func (s *Server) workData(*http.Request, *boat.Report) (string, content, error) {
	p := workPage{Work: s.opt.Desk.Work(), Roles: boat.Roles()}
	if p.Order == nil {
		return "Work", templated{"work", p}, nil
	}
	for _, group := range p.Order.Groups {
		wg := workGroup{Group: group}
		for i := range group.Steps {
			st := workStep{Step: &group.Steps[i], Status: release.StepStatus{State: release.StepWaiting}}
			for _, status := range p.Status {
				if status.Step == st.ID {
					st.Status = status
				}
			}
			p.Steps++
			if st.Status.State == release.StepVerified {
				p.DoneSteps++
			}
			wg.Steps = append(wg.Steps, st)
		}
		p.Groups = append(p.Groups, wg)
	}
	return "Work", templated{"work", p}, nil
}
