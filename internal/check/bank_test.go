package check

import (
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/quantity"
)

// course is what a source gave each second for half a minute: a value that rises, and is off by so much.
func course(kind quantity.Comparison, off float64) quantity.Trace {
	t := quantity.Trace{Kind: kind, Every: time.Second, Grain: 0.01}
	for i := range 30 {
		t.Steps = append(t.Steps, quantity.Step{At: ago(time.Duration(30-i) * time.Second), Value: 12.5 + 0.01*float64(i) + off})
	}
	return t
}

// TestEvidenceShowsBothSeries: two banks of one instance, and two sources of one quantity, are shown side by side, with how far they are apart.
func TestEvidenceShowsBothSeries(t *testing.T) {
	measured := func(off float64) change {
		one, v := uint8(0), 12.8+off
		return sends(boat.Transmit{PGN: 127508, Title: "Battery Status", Instance: &one, Volts: &v, VoltsAt: now,
			Voltage: course(quantity.Linear, off)})
	}
	banks := aboard(battery("C1", 40, measured(0)), battery("C2", 41, measured(0.6)))
	heads := func(d *boat.Device) {
		sends(boat.Transmit{PGN: 127250, Title: "Vessel Heading", Available: ptr(true)})(d)
	}
	compasses := aboard(sounder("A1", 35, heads), sounder("A2", 36, heads))
	for i, off := range []float64{0, 0.1} { // rad
		trace := course(quantity.Circular, off)
		compasses.Sources = append(compasses.Sources, boat.Source{Measure: boat.HeadingTrue, ID: compasses.Devices[i].ID, Network: "can0",
			Value: trace.Steps[29].Value, At: now, Trace: trace})
	}
	for _, c := range []struct {
		rule  string
		state *boat.State
		apart float64
		unit  string
	}{
		{"instance-clash", banks, 0.6, "V"},
		{"multiple-sources", compasses, 5.73, "deg"},
	} {
		c.state.FindUnits(nil, 0)
		s := DefaultSettings()
		shown := false
		for _, f := range Judge([]Rule{ruleOf(t, c.rule)}, c.state, now, &s).Findings {
			series, ok := SeriesOf(f.Evidence)
			if !ok {
				continue
			}
			shown = true
			if len(series.Lines) != 2 || len(series.Lines[1].At) < 20 || f.Evidence["difference"] != c.apart || f.Evidence["unit"] != c.unit {
				t.Errorf("%s: %d lines, apart %v %v, want %v %s", c.rule, len(series.Lines), f.Evidence["difference"], f.Evidence["unit"], c.apart, c.unit)
			}
		}
		if !shown {
			t.Errorf("%s: no picture", c.rule)
		}
	}
}
