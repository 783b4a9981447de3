package check

import (
	"math"
	"strings"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/quantity"
)

// gives adds a source's latest value to a report.
func gives(r *boat.State, m boat.Measure, id string, value float64, lon ...float64) *boat.State {
	network := "can0"
	if at, _, ok := strings.Cut(id, "/"); ok {
		network = at
	}
	s := boat.Source{Measure: m, ID: id, Network: network, Value: value}
	if len(lon) > 0 {
		s.Longitude = lon[0]
	}
	r.Sources = append(r.Sources, moves(s, now, 0))
	return r
}

// moves gives a source a minute of values, one a second up to a moment, that go north by so much a second.
func moves(s boat.Source, last event.Time, speed float64) boat.Source {
	s.At = last
	s.Trace = quantity.Trace{Kind: s.Measure.Info().Compare, Every: time.Second}
	for k := 60; k >= 0; k-- {
		s.Trace.Steps = append(s.Trace.Steps, quantity.Step{At: last.Add(-time.Duration(k) * time.Second), Value: s.Value - speed*float64(k), Longitude: s.Longitude})
	}
	return s
}

// speaks adds a talker on the line ttyUSB0.
func speaks(r *boat.State, letters string, identity *boat.TalkerIdentity, sentences ...boat.Sentence) *boat.State {
	if len(r.Talkers) == 0 {
		r.Networks = append(r.Networks, heard(boat.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}))
	}
	r.Talkers = append(r.Talkers, boat.Talker{Network: "ttyUSB0", Talker: letters, Identity: identity, Sentences: sentences, Last: now})
	return r
}

func says(formatter string, every, last time.Duration) boat.Sentence {
	s := boat.Sentence{Formatter: formatter, Count: 500, Recent: every, Last: ago(last), Nominal: time.Second}
	for _, q := range boat.Quantities() {
		if q.SentIn(formatter) && last <= boat.StillSent {
			s.Gives = append(s.Gives, q.Name)
		}
	}
	return s
}

func repeats(r *boat.State, m boat.Measure, from, to string, lag time.Duration, tried, matched int) *boat.State {
	r.Echoes = append(r.Echoes, boat.Echo{Measure: m, From: from, To: to, Tried: tried, Matched: matched, Lag: lag})
	return r
}

func sourceSamples() []sample {
	rad := func(deg float64) float64 { return deg * math.Pi / 180 }
	two := func() *boat.State { return aboard(sounder("B1", 36), head("A1", 35)) }
	both := func() *boat.State { return speaks(two(), "SD", nil, says("DPT", time.Second, 0)) }
	clocks := func(kind boat.Clock, a, b float64) *boat.State {
		r := two()
		r.Clock = kind
		return gives(gives(r, boat.ClockOffset, "A1", a), boat.ClockOffset, "B1", b)
	}
	stale := gives(gives(both(), boat.DepthSurface, "B1", 12), boat.DepthSurface, "ttyUSB0/SD", 8.5)
	stale.Sources[1] = moves(stale.Sources[1], ago(time.Minute), 0)
	courses := func(speed float64) *boat.State {
		r := gives(gives(two(), boat.CourseTrue, "A1", rad(350)), boat.CourseTrue, "B1", rad(40))
		return gives(r, boat.SpeedOverGround, "A1", speed)
	}
	fast := func(metres float64, age time.Duration) *boat.State { // 35 kn, one position older than the other
		r := gives(gives(two(), boat.Position, "A1", 54.1, 10.8), boat.Position, "B1", 54.1-metres/111_300, 10.8)
		r.Sources[0] = moves(r.Sources[0], now, 18/111_300.0)
		r.Sources[1] = moves(r.Sources[1], ago(age), 18/111_300.0)
		return gives(r, boat.SpeedOverGround, "A1", 18)
	}
	turned := func(other float64) *boat.State { // a compass, a true heading, and two words on the variation
		r := gives(gives(two(), boat.HeadingTrue, "A1", rad(90)), boat.HeadingTrue, "B1", rad(105))
		r.Sources[0].FromMagnetic = true
		return gives(gives(r, boat.Variation, "A1", rad(3)), boat.Variation, "B1", rad(other))
	}
	old := func(r *boat.State) *boat.State {
		r.Sources[0] = moves(r.Sources[0], ago(8*time.Second), 0)
		r.Sources[0].Trace.Steps = r.Sources[0].Trace.Steps[:30]
		return r
	}
	circle := func(matched int) *boat.State {
		r := gives(gives(gives(both(), boat.DepthSurface, "A1", 8), boat.DepthSurface, "B1", 8), boat.DepthSurface, "ttyUSB0/SD", 8)
		r = repeats(r, boat.DepthSurface, "B1", "A1", 900*time.Millisecond, 80, matched)
		r = repeats(r, boat.DepthSurface, "B1", "ttyUSB0/SD", 400*time.Millisecond, 80, 79)
		return repeats(r, boat.DepthSurface, "ttyUSB0/SD", "A1", 500*time.Millisecond, 80, matched)
	}
	bank := func(volts float64) *boat.State {
		return aboard(battery("C1", 40, sends(boat.Transmit{PGN: 127508, Title: "Battery Status", Instance: ptr(uint8(0)), Volts: &volts, VoltsAt: now})))
	}
	gps := func(software string) *boat.TalkerIdentity {
		return &boat.TalkerIdentity{Vendor: "GAN", Model: "Gannet GP1", Software: software}
	}
	dead := speaks(two(), "GP", nil, says("RMC", time.Second, time.Minute))
	dead.Talkers[0].Last = ago(time.Minute)
	return []sample{
		{"sources-disagree", "depth in both worlds", gives(gives(both(), boat.DepthSurface, "B1", 12), boat.DepthSurface, "ttyUSB0/SD", 8.5), 1},
		{"sources-disagree", "positions a cable apart", gives(gives(two(), boat.Position, "A1", 54.1, 10.8), boat.Position, "B1", 54.1, 10.803), 1},
		{"sources-disagree", "heading across north", gives(gives(two(), boat.HeadingTrue, "A1", rad(350)), boat.HeadingTrue, "B1", rad(15)), 1},
		{"sources-disagree", "two right, one wrong", gives(gives(gives(both(), boat.WaterTemperature, "A1", 290), boat.WaterTemperature, "B1", 290.2), boat.WaterTemperature, "ttyUSB0/SD", 301), 1},
		{"sources-disagree", "course under way", courses(4), 1},
		{"sources-disagree", "course under way, a receiver stuck at rest", gives(courses(4), boat.SpeedOverGround, "B1", 0), 2}, // and the speeds
		{"sources-disagree", "positions further apart than the boat went", fast(250, 5*time.Second), 1},
		{"sources-disagree", "a position of 5 s ago at 35 kn", fast(88, 5*time.Second), 0},
		{"sources-disagree", "headings by one variation", turned(3), 1},
		{"sources-disagree", "only the variations differ", turned(-12), 1},
		{"sources-disagree", "headings that share no moment", old(gives(gives(two(), boat.HeadingTrue, "A1", rad(350)), boat.HeadingTrue, "B1", rad(15))), 0},
		{"sources-disagree", "course at rest", courses(0.3), 0},
		{"sources-disagree", "headings either side of north", gives(gives(two(), boat.HeadingTrue, "A1", rad(358)), boat.HeadingTrue, "B1", rad(2)), 0},
		{"sources-disagree", "positions either side of the date line", gives(gives(two(), boat.Position, "A1", -17, 179.9999), boat.Position, "B1", -17, -179.9999), 0},
		{"sources-disagree", "other reference", gives(gives(both(), boat.DepthSurface, "B1", 12), boat.DepthKeel, "ttyUSB0/SD", 8.5), 0},
		{"sources-disagree", "one has stopped", stale, 0},
		{"clock-mismatch", "a receiver with an old week number", clocks(boat.ClockCapture, 0.2, -1024*7*86400), 1},
		{"clock-mismatch", "two sources", clocks(boat.ClockCapture, 0.2, 61), 1},
		{"clock-mismatch", "this computer", clocks(boat.ClockSystem, 90.2, 90), 1},
		{"clock-mismatch", "this computer in another zone", clocks(boat.ClockSystem, 7200.2, 7200), 1},
		{"clock-mismatch", "a recorded file", clocks(boat.ClockCapture, 90.2, 90), 0},
		{"clock-mismatch", "in time", clocks(boat.ClockSystem, 0.2, -0.6), 0},
		{"data-loop", "round through a line", circle(80), 1},
		{"data-loop", "one way only", repeats(both(), boat.DepthSurface, "B1", "ttyUSB0/SD", time.Second, 80, 80), 0},
		{"data-loop", "sometimes the same", circle(40), 0},
		{"data-loop", "each seems to follow the other", repeats(circle(80), boat.DepthSurface, "A1", "B1", time.Second, 80, 75), 0},
		{"data-loop", "too few changes", repeats(gives(gives(two(), boat.DepthSurface, "A1", 8), boat.DepthSurface, "B1", 8), boat.DepthSurface, "A1", "B1", time.Second, 8, 8), 0},
		{"line-saturated", "nearly full", line(boat.Network{LoadRecent: 0.84}), 1},
		{"line-saturated", "full", line(boat.Network{LoadRecent: 0.97}), 1},
		{"line-saturated", "half", line(boat.Network{LoadRecent: 0.5}), 0},
		{"sentence-late", "one has stopped", speaks(two(), "GP", gps("3.1"), says("RMC", time.Second, time.Minute), says("GGA", time.Second, 0)), 1},
		{"sentence-late", "slow", speaks(two(), "SD", nil, says("DPT", 12*time.Second, time.Second)), 1},
		{"sentence-late", "in time", speaks(two(), "SD", nil, says("DPT", time.Second, time.Second)), 0},
		{"sentence-late", "the whole line is dead", dead, 0},
		{"low-voltage", "12 V", bank(11.1), 1},
		{"low-voltage", "24 V, nearly flat", bank(20.2), 1},
		{"low-voltage", "charged", bank(12.7), 0},
		{"low-voltage", "not connected", bank(0.1), 0},
		{"multiple-sources", "a sounder in each world", speaks(aboard(sounder("B1", 36, depth())), "SD", nil, says("DPT", time.Second, 0), says("DBT", time.Second, 0)), 1},
		{"multiple-sources", "two talkers on one line", speaks(speaks(aboard(), "GP", gps("3.1"), says("RMC", time.Second, 0)), "II", nil, says("GLL", time.Second, 0)), 1},
		{"multiple-sources", "the talker has stopped", speaks(aboard(sounder("B1", 36, depth())), "SD", nil, says("DPT", time.Second, time.Hour)), 0},
		{"software-differs", "two talkers", speaks(speaks(aboard(), "GP", gps("3.1")), "GN", gps("3.2")), 1},
		{"software-differs", "talkers of two manufacturers", speaks(speaks(aboard(), "GP", gps("3.1")), "GN", &boat.TalkerIdentity{Vendor: "LRK", Model: "Gannet GP1", Software: "3.2"}), 0},
		{"garbled-line", "rate known", line(boat.Network{Recent: boat.Faults{GarbledLines: 50}, Line: boat.LineState{Condition: "wrong-baud", LikelyBaud: 38400}}), 1},
		{"garbled-line", "noisy", line(boat.Network{Recent: boat.Faults{GarbledLines: 50}, Line: boat.LineState{Condition: "noisy"}}), 1},
		{"garbled-line", "rate unknown", line(boat.Network{Recent: boat.Faults{GarbledLines: 50}, Line: boat.LineState{Condition: "wrong-baud"}}), 1},
		{"garbled-line", "swapped wires", line(boat.Network{Recent: boat.Faults{GarbledLines: 50}, Line: boat.LineState{Condition: "swapped-wires"}}), 1},
		{"garbled-line", "another protocol", line(boat.Network{Recent: boat.Faults{GarbledLines: 50}, Line: boat.LineState{Condition: "other-protocol"}}), 1},
	}
}

func TestToleranceOfEveryMeasure(t *testing.T) {
	s := DefaultSettings()
	for _, m := range boat.Measures() {
		if m != boat.ClockOffset && s.SourcesDisagree.tolerance(m) <= 0 {
			t.Errorf("%s has no tolerance", m)
		}
	}
	s.SourcesDisagree.Depth = -1
	if err := s.Validate(); err == nil || !strings.Contains(err.Error(), "depth below the keel") {
		t.Error(err)
	}
}
