package check

import (
	"fmt"
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
)

// restarted: devices that started again within the last hour. When most of a network did at one moment, network power was lost.
func restarted(p *Pass) {
	s := &p.Settings.Restarted
	for _, n := range p.networks(event.NMEA2000) {
		known := on(p.others(func(*boat.Device) bool { return true }), n.ID)
		var list []*boat.Device
		var last event.Time
		for _, d := range known {
			if times := p.restarts(d); len(times) > 0 {
				list = append(list, d)
				last = max(last, times[len(times)-1])
			}
		}
		if together := p.together(list, last); len(together) >= 3 && 2*len(together) > len(known) {
			p.Find(Finding{
				Severity: Warning,
				Subject:  n.ID, Devices: ids(together), Network: n.ID, Since: last,
				Case: "together", Values: Values{"count": len(together), "known": len(known), "network": n.ID, "ago": span(p.Now.Sub(last))},
				Evidence: evidence("devices", len(together), "at", last),
			})
			list = without(list, together)
		}
		if last.IsZero() && !p.unheard(n) {
			p.Clear(n.ID, n.ID)
		}
		for _, d := range list {
			times := p.restarts(d)
			severity, words := Info, fmt.Sprintf("%s ago", span(p.Now.Sub(times[len(times)-1])))
			if len(times) >= s.Often {
				severity, words = Warning, fmt.Sprintf("%d times within %s", len(times), span(p.Now.Sub(times[0])))
			}
			p.Find(Finding{
				Severity: severity,
				Subject:  d.ID, Devices: []string{d.ID}, Network: n.ID, Since: times[0],
				Values:   Values{"device": label(d), "times": words},
				Evidence: evidence("restarts", len(times), "at", stamps(times)),
			})
		}
	}
}

// restarts yields the restarts of a device that are still a finding, oldest first.
func (p *Pass) restarts(d *boat.Device) []event.Time {
	for i, t := range d.LastRestarts {
		if p.Now.Sub(t) <= p.Settings.Restarted.Within {
			return d.LastRestarts[i:]
		}
	}
	return nil
}

// together yields the devices whose last restart came just before the given moment.
func (p *Pass) together(list []*boat.Device, last event.Time) []*boat.Device {
	var some []*boat.Device
	for _, d := range list {
		if times := p.restarts(d); len(times) < p.Settings.Restarted.Often && last.Sub(times[len(times)-1]) <= p.Settings.Restarted.Together {
			some = append(some, d)
		}
	}
	return some
}

func without(list, out []*boat.Device) []*boat.Device {
	var rest []*boat.Device
	for _, d := range list {
		if !slices.Contains(out, d) {
			rest = append(rest, d)
		}
	}
	return rest
}
