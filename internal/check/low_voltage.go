package check

import (
	"cmp"
	"fmt"
)

// lowVoltage: the voltage that a battery monitor tells. Limits are given for 12 V and hold in proportion for 24 and 48 V; which of them
// a bank is shows in its voltage, unless the settings say it: a bank of 24 V that is nearly empty looks like one of 12 V.
func lowVoltage(p *Pass) {
	s := &p.Settings.LowVoltage
	p.lacking = "no unit reports a battery voltage"
	for _, d := range p.others(speaking) {
		for i := range d.Transmits {
			t := &d.Transmits[i]
			if t.Volts == nil || p.Now.Sub(t.VoltsAt) > recent {
				continue
			}
			nominal := nominalVolts(*t.Volts)
			if nominal == 0 {
				p.NotJudged(d.Network, d.ID+" "+messageKey(t), fmt.Sprintf("%s reports %.1f V: nothing is connected", label(d), *t.Volts), NeedTraffic)
				continue
			}
			nominal = cmp.Or(float64(s.Nominal), nominal)
			factor := nominal / 12
			severity, limit := Warning, s.Warning*factor
			if *t.Volts >= limit {
				p.Clear(d.Network, d.ID+" "+messageKey(t))
				continue
			}
			if *t.Volts < s.Critical*factor {
				severity, limit = Critical, s.Critical*factor
			}
			p.Find(Finding{
				Severity: severity, Subject: d.ID + " " + messageKey(t), Devices: []string{d.ID}, Network: d.Network,
				Values:   Values{"device": label(d), "volts": fmt.Sprintf("%.1f", *t.Volts), "limit": fmt.Sprintf("%.1f", limit), "nominal": nominal, "message": title(t)},
				Evidence: evidence("volts", round(*t.Volts), "limit", round(limit), "nominal", nominal, "message", messageKey(t)),
			})
		}
	}
}

// nominalVolts guesses the nominal voltage of a bank. Below 4 V nothing is connected, above 64 V it drives the boat.
func nominalVolts(v float64) float64 {
	switch {
	case v < 4 || v > 64:
		return 0
	case v <= 16:
		return 12
	case v <= 32:
		return 24
	}
	return 48
}
