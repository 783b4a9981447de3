package check

import (
	"fmt"
	"math"
	"strings"

	"muster/internal/boat"
	"muster/internal/quantity"
)

// bank is one battery: an instance of the monitor that measures it, with what is known of it. What the config says comes before what
// the monitor reports, and that before what the voltage shows.
type bank struct {
	monitor   *boat.Device
	message   *boat.Transmit // that gives its voltage
	nominal   float64        // V; 0 when only the voltage can show it
	from      string         // who gives the nominal voltage
	chemistry string         // "" when it is not reported
	cells     float64        // how its limits compare with those of a lead bank
}

// banks are the banks of which a voltage was received just now.
func (p *Pass) banks() []bank {
	type all struct{}
	return Once(p, all{}, func() (list []bank) {
		for _, d := range p.others(speaking) {
			for i := range d.Transmits {
				t := &d.Transmits[i]
				if t.Volts == nil || p.Now.Sub(t.VoltsAt) > recent || dcType(d, t) != dcBattery {
					continue
				}
				b := bank{monitor: d, message: t}
				b.nominal, b.from = p.Settings.LowVoltage.nominal(d, t)
				b.cells, b.chemistry = cellsOf(d, t)
				list = append(list, b)
			}
		}
		return list
	})
}

// bank is the bank that a device measures as an instance; nil for none.
func (p *Pass) bank(d *boat.Device, instance uint8) *bank {
	list := p.banks()
	for i := range list {
		if b := &list[i]; b.monitor == d && b.message.PGN == 127508 && b.message.Instance != nil && *b.message.Instance == instance {
			return b
		}
	}
	return nil
}

// volts is the voltage lately: the median, so that one wrong value is none.
func (b *bank) volts() float64 {
	if x, ok := b.message.Voltage.Middle(); ok {
		return x.Value
	}
	return *b.message.Volts
}

// apart adds to the evidence how the voltages of two banks compare, at common moments, and their course.
func (b *bank) apart(o *bank, proof map[string]any) {
	g := quantity.Agree(&b.message.Voltage, &o.message.Voltage, 0)
	if !g.Comparable() {
		return
	}
	proof["difference"], proof["doubt"], proof["unit"] = round(g.Offset), round(g.Doubt()), "V"
	proof[SeriesKey] = draw("V", 100, []string{b.monitor.ID, o.monitor.ID},
		[]*quantity.Trace{&b.message.Voltage, &o.message.Voltage}, func(x quantity.Step) float64 { return x.Value })
}

// dcBattery is the DC type of a bank in 127506. Other types are alternators, converters, solar panels and wind generators.
const dcBattery = 0

// dcType is what a device says that it measures as the instance of a message of batteries or DC sources: a bank, unless it
// reports that instance only as something else.
func dcType(d *boat.Device, t *boat.Transmit) uint8 {
	if t.PGN == detailedDC && t.Selector != nil {
		return *t.Selector
	}
	kind := uint8(dcBattery)
	for i := range d.Transmits {
		o := &d.Transmits[i]
		if o.PGN != detailedDC || o.Selector == nil || o.Instance == nil || t.Instance == nil || *o.Instance != *t.Instance {
			continue
		}
		if kind = *o.Selector; kind == dcBattery {
			break
		}
	}
	return kind
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
