package release

import (
	"testing"

	"muster/internal/boat"
	"muster/internal/report"
)

func TestSheetsOrder(t *testing.T) {
	s := examples(t)
	device := func(manufacturer uint32, model string) *report.Device {
		return &report.Device{Name: &boat.Name{Manufacturer: boat.Coded{Code: manufacturer}}, Product: &boat.Product{Model: model}}
	}
	head, sonar := device(2001, "Larkfin LF9 display"), device(2001, "Larkfin Olbo 30")
	for _, tt := range []struct {
		name  string
		d     *report.Device
		a, b  string
		order int
		ok    bool
	}{
		{"decimal", head, "4.47", "4.5", -1, true},
		{"within text", head, "SW 4.50 b12", "4.47", 1, true},
		{"same release", head, "4.5", "4.50", 0, true},
		{"dotted", sonar, "2.9.0", "2.10.1", -1, true},
		{"no form", head, "four", "4.5", 0, false},
		{"no form on the other side", head, "4.5", "", 0, false},
		{"no sheet", device(2003, "Sanderling Tavrik 7"), "1.0", "1.1", 0, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if order, ok := s.Order(tt.d, tt.a, tt.b); order != tt.order || ok != tt.ok {
				t.Errorf("got %d %v, want %d %v", order, ok, tt.order, tt.ok)
			}
		})
	}
}
