package check

import (
	"strings"
	"testing"

	"muster/internal/boat"
)

// TestBanks: which bank a voltage is of decides whether it is low; where two fit, only that is reported.
func TestBanks(t *testing.T) {
	one, two := uint8(0), uint8(1)
	for _, c := range []struct {
		name    string
		volts   float64
		device  float64 // what the device reports of the bank
		chem    int     // code of its chemistry and one; 0 when not reported
		dcType  uint8   // what the device says to measure in 127506; 0 is a battery
		set     LowVoltageSettings
		want    string // severity, "clear" or the beginning of why it is not judged
		nominal float64
	}{
		{name: "12 V", volts: 12.6, want: "clear"},
		{name: "12 V, low", volts: 11.2, want: "warning", nominal: 12},
		{name: "12 V, empty", volts: 9, want: "critical", nominal: 12},
		{name: "24 V", volts: 25, want: "clear"},
		{name: "24 V, low", volts: 22, want: "warning", nominal: 24},
		{name: "48 V, full", volts: 51, want: "clear"},
		{name: "36 V or an empty 48 V", volts: 37.5, want: "a bank of 36 V, or a low one of 48 V"},
		{name: "6 V or an empty 12 V", volts: 6.3, want: "a bank of 6 V, or a low one of 12 V"},
		{name: "36 V by the device", volts: 37.5, device: 36, want: "clear"},
		{name: "48 V by the device", volts: 37.5, device: 48, want: "critical", nominal: 48},
		{name: "6 V by the device", volts: 6.3, device: 6, want: "clear"},
		{name: "24 V, empty, by the config", volts: 15, set: LowVoltageSettings{Nominal: 24}, want: "critical", nominal: 24},
		{name: "the bank's own setting first", volts: 37.5, device: 48, set: LowVoltageSettings{Nominal: 48, Banks: []Bank{{"SC1", 0, 36}}}, want: "clear"},
		{name: "by NAME", volts: 37.5, set: LowVoltageSettings{Banks: []Bank{{"C1", 0, 36}}}, want: "clear"},
		{name: "another instance", volts: 12.6, set: LowVoltageSettings{Banks: []Bank{{"SC1", 1, 36}}}, want: "clear"},
		{name: "lithium at 11.3 V", volts: 11.3, device: 12, chem: 2, want: "clear"},
		{name: "lead at 11.3 V", volts: 11.3, device: 12, chem: 1, want: "warning", nominal: 12},
		{name: "lithium at 11 V", volts: 11, device: 12, chem: 2, want: "warning", nominal: 12},
		{name: "NiMH at 10.2 V", volts: 10.2, device: 12, chem: 5, want: "clear"},
		{name: "a chemistry that is not in the list", volts: 11.3, device: 12, chem: 10, want: "warning", nominal: 12},
		{name: "a solar panel at dusk", volts: 5, dcType: 3, want: "none"},
		{name: "a battery that is said to be one", volts: 11.2, want: "warning", nominal: 12},
		{name: "nothing connected", volts: 0.2, want: "nothing is connected"},
	} {
		t.Run(c.name, func(t *testing.T) {
			list := []boat.Transmit{{PGN: 127508, Title: "Battery Status", Instance: &one, Volts: &c.volts, VoltsAt: now}, {PGN: 127513, Instance: &two, NominalVolts: 24}}
			if c.device != 0 {
				list = append(list, boat.Transmit{PGN: 127513, Instance: &one, NominalVolts: c.device})
			}
			if c.chem > 0 {
				code := uint8(c.chem - 1)
				list[len(list)-1].Chemistry = &code
			}
			list = append(list, boat.Transmit{PGN: 127506, Instance: &one, Selector: &c.dcType})
			s := DefaultSettings()
			s.LowVoltage.Nominal, s.LowVoltage.Banks = c.set.Nominal, c.set.Banks
			if err := s.Validate(); err != nil {
				t.Fatal(err)
			}
			j := Judge(All(), aboard(battery("C1", 40, func(d *boat.Device) { d.Transmits = list })), now, &s)
			got, nominal := "none", 0.0
			for _, f := range j.Findings {
				if f.Check == "low-voltage" {
					got, nominal = string(f.Severity), f.Evidence["nominal"].(float64)
				}
			}
			for _, x := range j.Clear {
				if x.Check == "low-voltage" {
					got = "clear"
				}
			}
			for _, u := range j.NotJudged {
				if u.Check == "low-voltage" && strings.Contains(u.Why, c.want) {
					got = c.want
				}
			}
			if got != c.want || nominal != c.nominal {
				t.Errorf("%s of %g V, want %s of %g V", got, nominal, c.want, c.nominal)
			}
		})
	}
	s := DefaultSettings()
	s.LowVoltage.Nominal, s.LowVoltage.Banks = 37, []Bank{{"", 0, 12}}
	if err := s.Validate(); err == nil || !strings.Contains(err.Error(), "low-voltage.nominal: 37") || !strings.Contains(err.Error(), "low-voltage.banks[0]") {
		t.Errorf("%v", err)
	}
}
