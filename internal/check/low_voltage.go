package check

import (
	"fmt"
	"math"
	"strings"

	"muster/internal/boat"
)

// lowVoltage: the voltage that a battery monitor reports. Limits are given for 12 V and hold in proportion for other
// banks. The nominal voltage of a bank comes from the config, else from the device itself; else its voltage shows it,
// unless that fits two: a bank of 24 V that is nearly empty looks like one of 12 V, and is taken for it.
func lowVoltage(p *Pass) {
	s := &p.Settings.LowVoltage
	p.lacking = "no unit reports a battery voltage"
	for _, d := range p.others(speaking) {
		for i := range d.Transmits {
			t := &d.Transmits[i]
			if t.Volts == nil || p.Now.Sub(t.VoltsAt) > recent {
				continue
			}
			subject := d.ID + " " + messageKey(t)
			nominal, from := s.nominal(d, t)
			other := 0.0
			if nominal == 0 {
				nominal, other = guessNominal(*t.Volts, s.Warning)
			}
			switch {
			case nominal == 0:
				p.NotJudged(d.Network, subject, fmt.Sprintf("%s reports %.1f V: nothing is connected", label(d), *t.Volts), NeedTraffic)
				continue
			case other != 0:
				p.NotJudged(d.Network, subject, fmt.Sprintf("%s reports %.1f V: a bank of %g V, or a low one of %g V. Set its nominal voltage under low-voltage in the config",
					label(d), *t.Volts, other, nominal), NeedSetting)
				continue
			}
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
				Evidence: evidence("volts", round(*t.Volts), "limit", round(limit), "nominal", nominal, "nominal_from", from, "message", messageKey(t)),
			})
		}
	}
}

// nominals are the voltages that banks are made for (code list of the battery configuration message).
var nominals = [...]float64{6, 12, 24, 32, 36, 42, 48}

func nominalWords() string {
	var words []string
	for _, n := range nominals {
		words = append(words, fmt.Sprintf("%g", n))
	}
	return strings.Join(words, ", ")
}

// nominal is the nominal voltage of the bank in a message: as set for the bank, as set for the boat, or as the device
// reports, and which of them; 0 when none does, so that the voltage has to.
func (s *LowVoltageSettings) nominal(d *boat.Device, t *boat.Transmit) (volts float64, from string) {
	for _, b := range s.Banks {
		if (b.Device == d.ID || d.Product != nil && b.Device == d.Product.Serial) && (t.Instance == nil || *t.Instance == b.Instance) {
			return b.Nominal, "config of the bank"
		}
	}
	if s.Nominal != 0 {
		return s.Nominal, "config"
	}
	for i := range d.Transmits {
		c := &d.Transmits[i]
		if c.NominalVolts != 0 && (c.Instance == nil || t.Instance == nil || *c.Instance == *t.Instance) {
			return c.NominalVolts, "device"
		}
	}
	return 0, "voltage"
}

// guessNominal takes the nominal voltage from the voltage, as 12, 24 or 48 V. Where that bank would be low, and one that is less common
// would be in order, it gives that one too. Below 4 V nothing is connected, above 64 V it drives the boat.
func guessNominal(v, low float64) (nominal, other float64) {
	switch {
	case v < 4 || v > 64:
		return 0, 0
	case v <= 16:
		nominal = 12
	case v <= 32:
		nominal = 24
	default:
		nominal = 48
	}
	if v >= low*nominal/12 {
		return nominal, 0
	}
	const rest = 12.8 // V of a full bank of 12 V at rest (common practice)
	for _, n := range nominals {
		if of12 := v * 12 / n; of12 >= low && of12 <= 15.5 && (other == 0 || math.Abs(of12-rest) < math.Abs(v*12/other-rest)) {
			other = n
		}
	}
	return nominal, other
}
