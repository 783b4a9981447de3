package check

import "fmt"

// lowVoltage: the voltage that a battery monitor reports lately. Limits are given for a lead bank of 12 V and hold in proportion for other
// banks and by their cells for other chemistries. The nominal voltage of a bank comes from the config, else from the device itself; else its
// voltage shows it, unless that fits two: a bank of 24 V that is nearly empty looks like one of 12 V, and is taken for it.
func lowVoltage(p *Pass) {
	p.lacking = "no unit reports a battery voltage"
	for _, b := range p.banks() {
		p.judgeBank(&b)
	}
}

func (p *Pass) judgeBank(b *bank) {
	s, d, t := &p.Settings.LowVoltage, b.monitor, b.message
	subject, volts := d.ID+" "+messageKey(t), b.volts()
	nominal, other := b.nominal, 0.0
	if nominal == 0 {
		nominal, other = guessNominal(volts, s.Warning)
	}
	switch {
	case nominal == 0:
		p.NotJudged(d.Network, subject, fmt.Sprintf("%s reports %.1f V: nothing is connected", label(d), volts), NeedTraffic)
		return
	case other != 0:
		p.NotJudged(d.Network, subject, fmt.Sprintf("%s reports %.1f V: a bank of %g V, or a low one of %g V. Set its nominal voltage under low-voltage in the config",
			label(d), volts, other, nominal), NeedSetting)
		return
	}
	factor := nominal / 12 * b.cells
	severity, limit := Warning, s.Warning*factor
	if volts >= limit {
		p.Clear(d.Network, subject)
		return
	}
	if volts < s.Critical*factor {
		severity, limit = Critical, s.Critical*factor
	}
	proof := evidence("volts", round(volts), "limit", round(limit), "nominal", nominal, "nominal_from", b.from, "chemistry", b.chemistry, "message", messageKey(t))
	if len(t.Voltage.Steps) > 1 {
		proof[SeriesKey] = against(d.ID, "V", &t.Voltage, "limit", round(limit))
	}
	p.Find(Finding{
		Severity: severity, Subject: subject, Devices: []string{d.ID}, Network: d.Network, Evidence: proof,
		Values: Values{"device": label(d), "volts": fmt.Sprintf("%.1f", volts), "limit": fmt.Sprintf("%.1f", limit), "nominal": nominal, "message": title(t)},
	})
}
