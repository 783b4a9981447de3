package web

import (
	"fmt"
	"net/http"
	"slices"

	"muster/internal/boat"
)

type devicePage struct {
	*boat.Device
	Talker *shownTalker // it is an NMEA 0183 talker, and no device
	Alerts alertLists
}

func (s *Server) deviceData(req *http.Request, r *boat.Report) (string, content, error) {
	id := req.PathValue("id")
	p := devicePage{Device: r.Device(id)}
	t := r.TalkerByID(id)
	switch {
	case p.Device == nil && t == nil:
		return "", nil, fmt.Errorf("device %q: %w: it may have got another one since", id, ErrNoSuch)
	case p.Device == nil:
		st := showTalker(r, t)
		for i := range st.Lines {
			st.Lines[i].Values = sentenceValues(st.Lines[i].Latest)
		}
		p.Talker = &st
	}
	for _, a := range shown(r, SortedAlerts(r)) {
		about := slices.ContainsFunc(a.About, func(l link) bool { return l.ID == id })
		if about || p.Talker != nil && a.Network == t.Network {
			p.Alerts.add(a)
		}
	}
	if p.Talker != nil {
		return p.Talker.Title, templated{"device", p}, nil
	}
	return DeviceTitle(p.Device), templated{"device", p}, nil
}
