package check

import (
	"testing"

	"muster/internal/boat"
)

// TestSupplyOfOtherBanks: 15 V are plenty for a bank of 12 V, and the end of one of 24 V.
func TestSupplyOfOtherBanks(t *testing.T) {
	volts := 15.0
	r := aboard(battery("C1", 40, sends(boat.Transmit{PGN: 127508, Title: "Battery Status", Instance: ptr(uint8(0)), Volts: &volts, VoltsAt: now})))
	for nominal, want := range map[int]int{0: 0, 12: 0, 24: 1, 48: 1} {
		s := DefaultSettings()
		s.LowVoltage.Nominal = nominal
		got := 0
		for _, f := range Judge(All(), r, now, &s).Findings {
			if f.Check == "low-voltage" {
				got++
			}
		}
		if got != want {
			t.Errorf("nominal %d: %d findings, want %d", nominal, got, want)
		}
	}
	s := DefaultSettings()
	s.LowVoltage.Nominal = 36
	if err := s.Validate(); err == nil {
		t.Error("36 V was taken")
	}
}
