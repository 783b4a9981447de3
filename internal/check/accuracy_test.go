package check

import (
	"math"
	"testing"

	"muster/internal/boat"
	"muster/internal/quantity"
)

// published are accuracies of instruments (95 %), in the unit of the measure's Info, each with its source: two instruments of that kind may
// differ by as much as the root of the sum of both squares. Those marked as common practice have no source.
var published = []struct {
	measure boat.Measure
	error   float64 // of one instrument
	share   float64 // of the value, where that is more
	source  string
}{
	{boat.Position, 13, 0, "IMO MSC.112(73), GPS receivers (from memory); 2 to 5 m today and the antennas' distance are common practice"},
	{boat.Position, 35, 0, "IMO MSC.74(69) annex 1, GPS and GLONASS without corrections"},
	{boat.CourseTrue, 11, 0, "receivers' noise of 0.2 m/s at 2 kn, the slowest that is compared (satsleuth.com, GPS_User page 52)"},
	{boat.CourseTrue, 3, 0, "IEC 61108-1, 1 to 17 kn (from memory)"},
	{boat.SpeedOverGround, 0.2, 0.02, "IEC 61108-1 (from memory)"},
	{boat.HeadingTrue, 2.7, 0, "IMO MSC.116(73), transmitting heading devices: transmission 0.2, static 1.0 and dynamic 1.5 added up"},
	{boat.HeadingTrue, 5, 0, "solid-state compass, heeled or in waves (common practice)"},
	{boat.RateOfTurn, 0.5 / 60, 0.05, "IMO A.526(13) (from memory)"},
	{boat.Roll, 1, 0.05, "IMO MSC.363(92), electronic inclinometers"},
	{boat.Pitch, 1, 0.05, "IMO MSC.363(92), electronic inclinometers"},
	{boat.Variation, 0.5, 0, "two epochs of the magnetic model at middle latitudes (common practice)"},
	{boat.DepthSurface, 0.5, 0.025, "IMO MSC.74(69) annex 4, 20 m scale"},
	{boat.DepthKeel, 0.5, 0.025, "IMO MSC.74(69) annex 4, 20 m scale"},
	{boat.DepthTransducer, 0.5, 0.025, "IMO MSC.74(69) annex 4, 20 m scale"},
	{boat.SpeedThroughWater, 0.2, 0.02, "IMO MSC.96(72) (from memory)"},
	{boat.SpeedThroughWater, 0, 0.07, "paddle wheel, calibrated (common practice)"},
	{boat.ApparentWindAngle, 5, 0, "vane of small craft (common practice); 2 degrees of an ultrasonic sensor's manual"},
	{boat.ApparentWindSpeed, 1, 0.05, "cups of small craft (common practice); five sensors side by side within 1 to 2 kn (magazine test, September 2009)"},
	{boat.WaterTemperature, 1, 0, "hull sensor (common practice)"},
	{boat.Pressure, 2, 0, "boat sensor (common practice); 2 hPa is the threshold of OSCAR requirement 721"},
	{boat.RudderAngle, 1.5, 0, "rudder indicator hard over (a ship-performance page, 2020)"},
	{boat.ClockOffset, 0.8, 0, "a sentence follows its second by 0.05 to 0.8 s (common practice)"},
}

// TestTolerancesCoverAccuracy: two instruments that are as good as published ones are never in disagreement by the tolerances as shipped,
// small values and great ones that a boat has; and a tolerance is no more than eight times what these two differ by, so that it still finds something.
func TestTolerancesCoverAccuracy(t *testing.T) {
	best := map[boat.Measure]float64{}
	for _, p := range published {
		info := p.measure.Info()
		for _, value := range []float64{0, 1, 5, 20, 60} { // in Unit
			s := boat.Source{Value: value / info.Scale}
			differ := math.Sqrt2 * max(p.error, p.share*value)
			if limit := p.measure.Limit(info.Tolerance, &s, &s); limit < differ {
				t.Errorf("%s of %g %s: two as of %s differ by %.2f, and the limit is %.2f", info.Name, value, info.Unit, p.source, differ, limit)
			}
		}
		if differ := math.Sqrt2 * p.error; p.measure != boat.RateOfTurn {
			best[p.measure] = max(best[p.measure], differ)
		}
	}
	for m, differ := range best {
		if tolerance := m.Info().Tolerance; tolerance > 8*differ {
			t.Errorf("%s: a tolerance of %g is more than eight times %.2f", m, tolerance, differ)
		}
	}
}

// TestOdd: one source is named only where it differs from every other, and these were compared and agree; and it is as sure as the
// share of the moments that show it.
func TestOdd(t *testing.T) {
	differ := func(i, j int) pair {
		return pair{i: i, j: j, apart: true, Agreement: quantity.Agreement{Instants: 20, Outside: 19}}
	}
	agree := func(i, j int) pair { return pair{i: i, j: j, Agreement: quantity.Agreement{Instants: 20, Outside: 2}} }
	for _, c := range []struct {
		name    string
		sources int
		pairs   []pair
		want    int
	}{
		{"two", 2, []pair{differ(1, 0)}, -1},
		{"one of three", 3, []pair{differ(1, 0), differ(2, 1), agree(2, 0)}, 1},
		{"one of three, and the others were not compared", 3, []pair{differ(1, 0), differ(2, 1)}, -1},
		{"all three", 3, []pair{differ(1, 0), differ(2, 1), differ(2, 0)}, -1},
		{"one of four", 4, []pair{differ(3, 0), differ(3, 1), differ(3, 2), agree(1, 0), agree(2, 0), agree(2, 1)}, 3},
		{"two of four", 4, []pair{differ(2, 0), differ(3, 0), differ(2, 1), differ(3, 1), agree(1, 0), agree(3, 2)}, -1},
		{"one of four, and two others were not compared", 4, []pair{differ(3, 0), differ(3, 1), differ(3, 2), agree(1, 0), agree(2, 0)}, -1},
	} {
		d := disagreement{pairs: c.pairs, against: make([]int, c.sources)}
		for _, x := range c.pairs {
			if x.apart {
				d.apart++
				d.against[x.i]++
				d.against[x.j]++
			} else {
				d.agreed++
			}
		}
		got, sure := d.odd()
		if got != c.want || got >= 0 && sure != 0.9 || got < 0 && sure != 0 {
			t.Errorf("%s: %d, sure at %g, want %d", c.name, got, sure, c.want)
		}
	}
}
