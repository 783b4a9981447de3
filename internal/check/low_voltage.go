package check

import (
	"fmt"
	"math"
	"strings"

	"muster/internal/boat"
)

// lowVoltage: the voltage that a battery monitor reports lately. Limits are given for a lead bank of 12 V and hold in proportion for other
// banks and by their cells for other chemistries. The nominal voltage of a bank comes from the config, else from the device itself; else its
// voltage shows it, unless that fits two: a bank of 24 V that is nearly empty looks like one of 12 V, and is taken for it.
func lowVoltage(p *Pass) {
	p.lacking = "no unit reports a battery voltage"
	for _, d := range p.others(speaking) {
		for i := range d.Transmits {
			t := &d.Transmits[i]
			if t.Volts != nil && p.Now.Sub(t.VoltsAt) <= recent && isBank(d, t) {
				p.judgeBank(d, t)
			}
		}
	}
}

// isBank reports whether a voltage is of a battery: of an instance that the device says to be an alternator, a solar panel or a wind
// generator (DC type of 127506), it is not.
func isBank(d *boat.Device, t *boat.Transmit) bool {
	for i := range d.Transmits {
		o := &d.Transmits[i]
		other := o.PGN == detailedDC && o.Selector != nil && *o.Selector != 0
		if other && o.Instance != nil && t.Instance != nil && *o.Instance == *t.Instance {
			return false
		}
	}
	return true
}

func (p *Pass) judgeBank(d *boat.Device, t *boat.Transmit) {
	s := &p.Settings.LowVoltage
	subject, volts := d.ID+" "+messageKey(t), *t.Volts
	if x, ok := t.Voltage.Middle(); ok {
		volts = x.Value
	}
	nominal, from := s.nominal(d, t)
	other := 0.0
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
	cells, chemistry := cellsOf(d, t)
	factor := nominal / 12 * cells
	severity, limit := Warning, s.Warning*factor
	if volts >= limit {
		p.Clear(d.Network, subject)
		return
	}
	if volts < s.Critical*factor {
		severity, limit = Critical, s.Critical*factor
	}
	proof := evidence("volts", round(volts), "limit", round(limit), "nominal", nominal, "nominal_from", from, "chemistry", chemistry, "message", messageKey(t))
	if len(t.Voltage.Steps) > 1 {
		proof[SeriesKey] = against(d.ID, "V", &t.Voltage, "limit", round(limit))
	}
	p.Find(Finding{
		Severity: severity, Subject: subject, Devices: []string{d.ID}, Network: d.Network, Evidence: proof,
		Values: Values{"device": label(d), "volts": fmt.Sprintf("%.1f", volts), "limit": fmt.Sprintf("%.1f", limit), "nominal": nominal, "message": title(t)},
	})
}

// chemistries are the battery chemistries of 127513 by their code, and how the voltage at which a bank is low compares with that of a lead
// bank: under load 2.80 V for each of 4 lithium cells and 1.0 V for each of 10 nickel cells, against 11.5 V (common practice). Of zinc
// nothing is known.
var chemistries = [...]struct {
	name string
	low  float64
}{{"lead", 1}, {"lithium", 4 * 2.80 / 11.5}, {"NiCd", 10 * 1.0 / 11.5}, {"zinc", 1}, {"NiMH", 10 * 1.0 / 11.5}}

// cellsOf is how the limits of a bank compare with those of a lead bank, and its chemistry as far as the device gives it.
func cellsOf(d *boat.Device, t *boat.Transmit) (factor float64, chemistry string) {
	known := func(c *boat.Transmit) bool { return c.Chemistry != nil && int(*c.Chemistry) < len(chemistries) }
	if c := configured(d, t, known); c != nil {
		return chemistries[*c.Chemistry].low, chemistries[*c.Chemistry].name
	}
	return 1, ""
}

// configured is the message of the device that says of the bank what is asked for; nil for none.
func configured(d *boat.Device, t *boat.Transmit, says func(*boat.Transmit) bool) *boat.Transmit {
	for i := range d.Transmits {
		if c := &d.Transmits[i]; says(c) && (c.Instance == nil || t.Instance == nil || *c.Instance == *t.Instance) {
			return c
		}
	}
	return nil
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
		monitor := b.Device == d.ID || d.Product != nil && b.Device == d.Product.Serial
		if monitor && (t.Instance == nil || *t.Instance == b.Instance) {
			return b.Nominal, "config of the bank"
		}
	}
	if s.Nominal != 0 {
		return s.Nominal, "config"
	}
	if c := configured(d, t, func(c *boat.Transmit) bool { return c.NominalVolts != 0 }); c != nil {
		return c.NominalVolts, "device"
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
		of12 := v * 12 / n
		nearer := other == 0 || math.Abs(of12-rest) < math.Abs(v*12/other-rest)
		if of12 >= low && of12 <= 15.5 && nearer {
			other = n
		}
	}
	return nominal, other
}
