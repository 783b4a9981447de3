package release

import (
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/report"
)

// A talker that reported its version is listed beside the devices, by its line.
func TestAssessTalker(t *testing.T) {
	r := sample()
	identity := boat.TalkerIdentity{Vendor: "Gannet Instruments", Model: "Gannet SD2 sounder", Software: "B2"}
	r.Talkers = []report.Talker{{Network: "ttyUSB0", Talker: "SD", Identity: &identity, Live: &boat.Talker{Last: start.Add(-time.Second)}}, {Network: "ttyUSB0", Talker: "GP", Live: &boat.Talker{Last: start}}}
	findUnits(r)
	found := false
	for _, a := range examples(t).Assess(r) {
		if a.Unit.ID != "ttyUSB0/SD" {
			continue
		}
		found = true
		if a.Unit.Label != "Gannet SD2 sounder (SD on ttyUSB0)" || a.Unit.Network != "ttyUSB0" || a.Unit.State != boat.Present || a.Unit.Role != boat.RoleDepth {
			t.Errorf("%+v", a.Unit)
		}
		if a.Unit.ManufacturerCode != nil || a.Unit.Software != "B2" {
			t.Errorf("%+v", a.Unit)
		}
	}
	if !found {
		t.Error("the talker is no unit")
	}
}
