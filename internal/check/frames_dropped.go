package check

import (
	"fmt"
)

// framesDropped: frames of the last full minute that never reached muster.
func framesDropped(p *Pass) {
	for i := range p.State.Networks {
		n := &p.State.Networks[i]
		if n.Recent.Dropped < p.Settings.FramesDropped.PerMinute {
			continue
		}
		p.Find(Finding{
			Subject: n.ID, Network: n.ID, Since: n.FaultSince.Dropped,
			Summary:  fmt.Sprintf("muster lost %s of %s within a minute: counts, loads and intervals are too low", plural(n.Recent.Dropped, "frame"), n.ID),
			Evidence: evidence("per_minute", n.Recent.Dropped, "total", n.Faults.Dropped, "since", n.FaultSince.Dropped),
			Remedy: "The backbone is not at fault. Give this computer less other work, use an adapter with larger buffers, " +
				"and plug it straight into the computer instead of a shared hub.",
		})
	}
}
