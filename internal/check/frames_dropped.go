package check

import "muster/internal/boat"

// framesDropped: frames of the last minute that never reached muster.
func framesDropped(p *Pass) {
	for i := range p.State.Networks {
		n := &p.State.Networks[i]
		dropped := p.lately(n, func(f *boat.Faults) uint64 { return f.Dropped })
		if dropped < p.Settings.FramesDropped.PerMinute {
			if !p.unheard(n) {
				p.Clear(n.ID, n.ID)
			}
			continue
		}
		p.Find(Finding{
			Subject: n.ID, Network: n.ID, Since: n.FaultSince.Dropped,
			Values:   Values{"count": plural(dropped, "frame"), "network": n.ID},
			Evidence: evidence("per_minute", dropped, "total", n.Faults.Dropped, "since", n.FaultSince.Dropped),
		})
	}
}
