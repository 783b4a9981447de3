package api

import (
	"sync"
	"time"

	"muster/internal/render"
	"muster/internal/report"
)

// historyPoints bounds what is kept of one network: six hours of minutes.
const historyPoints = 360

// historyNetworks bounds the networks: more than a boat's model has at one time.
const historyNetworks = 64

// history keeps the load of the last hours in event time. When time steps back, as in a
// capture read again, or forward past all of them, it starts again.
type history struct {
	mu       sync.Mutex
	networks map[string][]Minute // oldest first
}

// observe takes the last full minute of each network.
func (h *history) observe(r *report.Report) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.networks == nil {
		h.networks = map[string][]Minute{}
	}
	for i := range r.Networks {
		n := r.Networks[i].Live
		if n == nil || n.RecentFrom == 0 {
			continue
		}
		list, known := h.networks[n.ID]
		if !known && len(h.networks) >= historyNetworks {
			continue
		}
		m := Minute{At: n.RecentFrom, Load: n.LoadRecent}
		for _, f := range render.FaultList(n.Recent) {
			m.Faults += f.Count
		}
		switch last := len(list) - 1; {
		case last >= 0 && list[last].At == m.At:
			list[last] = m
		case last >= 0 && (m.At < list[last].At || m.At.Sub(list[last].At) > historyPoints*time.Minute): // the clock was set
			list = append(list[:0], m)
		default:
			if len(list) == historyPoints {
				list = append(list[:0], list[1:]...)
			}
			list = append(list, m)
		}
		h.networks[n.ID] = list
	}
}

// of copies what is kept of a network.
func (h *history) of(network string) []Minute {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]Minute{}, h.networks[network]...)
}
