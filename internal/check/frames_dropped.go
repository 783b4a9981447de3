package check

// framesDropped: frames of the last full minute that never reached muster.
func framesDropped(p *Pass) {
	for i := range p.State.Networks {
		n := &p.State.Networks[i]
		if n.Recent.Dropped < p.Settings.FramesDropped.PerMinute {
			continue
		}
		p.Find(Finding{
			Subject: n.ID, Network: n.ID, Since: n.FaultSince.Dropped,
			Values:   Values{"count": plural(n.Recent.Dropped, "frame"), "network": n.ID},
			Evidence: evidence("per_minute", n.Recent.Dropped, "total", n.Faults.Dropped, "since", n.FaultSince.Dropped),
		})
	}
}
