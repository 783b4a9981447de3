package release

import (
	"fmt"
	"strings"

	"muster/internal/boat"
)

// Limits of the pre-checks (common practice, no source).
const (
	defaultSupplyVolts = 12.0 // V, when no sheet gives a limit; twice that on a boat whose sheets speak of 24 V is for the sheet to say
	fallingVoltsPerH   = -0.5 // V/h, a steeper fall means that no charger is on
	movingMS           = 0.5  // m/s, about a knot; satellite receivers show less than this at rest
)

// PreCheck is one thing to be true before work starts.
type PreCheck struct {
	ID     string `json:"id"`
	Result Result `json:"result"`
	Text   string `json:"text"`
}

// Result of a pre-check.
type Result string

// The results. Unknown is neither: somebody must look.
const (
	Passed  Result = "passed"
	Failed  Result = "failed"
	Unknown Result = "unknown"
)

// Check evaluates the pre-checks against the boat as it is now.
func (o *Order) Check(r *boat.Report, c Conditions) []PreCheck {
	return []PreCheck{o.supply(c), supplyTrend(c), engines(c), moving(c), o.present(r), alerts(r)}
}

// verdict is Unknown when the quantity is not known.
func verdict(known, good bool) Result {
	switch {
	case !known:
		return Unknown
	case good:
		return Passed
	}
	return Failed
}

func (o *Order) supply(c Conditions) PreCheck {
	p := PreCheck{ID: "supply", Result: Unknown, Text: fmt.Sprintf("supply voltage is not known: measure it; it must be at least %.1f V", o.SupplyVolts)}
	if v := c.SupplyVolts; v != nil {
		p.Result = verdict(true, *v >= o.SupplyVolts)
		p.Text = fmt.Sprintf("supply is %.1f V, at least %.1f V is wanted", *v, o.SupplyVolts)
	}
	return p
}

func supplyTrend(c Conditions) PreCheck {
	p := PreCheck{ID: "supply-trend", Result: Unknown, Text: "trend of the supply voltage is not known: see that shore power or a charger is on"}
	if t := c.SupplyTrend; t != nil {
		p.Result = verdict(true, *t > fallingVoltsPerH)
		p.Text = fmt.Sprintf("supply changes by %+.1f V in an hour", *t)
		if p.Result == Failed {
			p.Text += ": put shore power or a charger on"
		}
	}
	return p
}

func engines(c Conditions) PreCheck {
	p := PreCheck{ID: "engines-stopped", Result: Unknown, Text: "engine speed is not known: see that all engines are stopped"}
	if v := c.EngineRPM; v != nil {
		p.Result = verdict(true, *v <= 0)
		p.Text = "engines are stopped"
		if *v > 0 {
			p.Text = fmt.Sprintf("an engine runs at %.0f/min: stop it", *v)
		}
	}
	return p
}

func moving(c Conditions) PreCheck {
	p := PreCheck{ID: "not-moving", Result: Unknown, Text: "speed over ground is not known: see that the boat is moored"}
	if v := c.SpeedMS; v != nil {
		p.Result = verdict(true, *v < movingMS)
		p.Text = fmt.Sprintf("speed over ground is %.1f m/s", *v)
		if p.Result == Failed {
			p.Text += ": do not update under way"
		}
	}
	return p
}

// present looks for the devices of the steps; those entered by hand are on no network.
func (o *Order) present(r *boat.Report) PreCheck {
	p := PreCheck{ID: "devices-present", Result: Passed, Text: "every device of the order is on the network"}
	var missing []string
	for _, s := range o.Steps() {
		if s.Device.ByHand != nil {
			continue
		}
		if d := r.Device(s.Device.ID); d == nil || d.State != boat.Present {
			missing = append(missing, s.Device.Label)
		}
	}
	if len(missing) > 0 {
		p.Result, p.Text = Failed, "not on the network: "+strings.Join(missing, ", ")
	}
	return p
}

// alerts looks for critical alerts that have not cleared.
func alerts(r *boat.Report) PreCheck {
	p := PreCheck{ID: "no-critical-alert", Result: Passed, Text: "no critical alert"}
	var open []string
	for _, a := range r.Alerts {
		if a.Severity == boat.Critical && a.State != boat.AlertCleared {
			open = append(open, a.Check+": "+a.Summary)
		}
	}
	if len(open) > 0 {
		p.Result, p.Text = Failed, "critical: "+strings.Join(open, "; ")
	}
	return p
}
