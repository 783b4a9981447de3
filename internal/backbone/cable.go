package backbone

import (
	"cmp"
	"math"
	"strconv"
	"strings"
)

// Cable is one kind of backbone cable. The figures are trade-published; the normative text was not readable.
type Cable struct {
	Name      string
	Ohm       float64 // per metre of one power conductor
	MaxLength float64 // metres of backbone
	Rating    float64 // ampere
	Source    string
}

// cables lists the kinds, lightest first.
var cables = []Cable{
	{"micro", 0.053, 100, 3, "resistance: installation notes of a display manufacturer, 22 AWG; length: wiring pages and an engine gauge kit manual; rating 3 A: fuse of micro systems (4 A is published too)"},
	{"mid", 0.0132, 200, 4, "resistance: calculated from 16 AWG; length: weakly sourced, 250 m is common in the trade; rating: specification pages of a cable manufacturer"},
	{"mini", 0.0089, 200, 8, "resistance: DeviceNet thick cable data; length: weakly sourced; rating: specification pages of a cable manufacturer"},
}

// The limits of the trade-published installation rules.
const (
	MaxDrop       = 6.0  // metres, one drop (three installation manuals)
	MaxDropSum    = 78.0 // metres, all drops; 60 m in two older guides
	MaxDevices    = 50   // physical devices (specification pages; an engine gauge kit manual)
	MinVolts      = 9.0  // at any device; 16 V at the most (trade articles; a steering manual)
	MaxVolts      = 16.0
	MaxDropVolts  = 1.5  // between any two devices (specification pages; two manuals); 1.67 and 3.0 V are published too
	AmpsPerLoad   = 0.05 // 1 load equivalency
	MaxDeviceLoad = 20.0 // load equivalency of one device, 1 A
	Terminator    = 120.0
)

func cableOf(name string) (Cable, bool) {
	for _, c := range cables {
		if c.Name == name {
			return c, true
		}
	}
	return Cable{}, false
}

func orMicro(name string) string { return cmp.Or(name, "micro") }

// CableNames are the kinds of cable, lightest first.
func CableNames() []string {
	names := make([]string, len(cables))
	for i, c := range cables {
		names[i] = c.Name
	}
	return names
}

func cableNames() string { return strings.Join(CableNames(), ", ") }

// loop is the resistance of a length of cable there and back, in ohm.
func loop(cable string, metres Length) float64 {
	c, _ := cableOf(orMicro(cable))
	return 2 * c.Ohm * float64(metres)
}

// RuleOfThumb is the published formula: volts = 0.1 × load equivalency × metres × ohm per metre of one conductor,
// with the whole load of the leg at its far end.
func RuleOfThumb(load float64, metres Length, ohm float64) float64 {
	return 0.1 * load * float64(metres) * ohm
}

// Termination is what a reading between NET-H and NET-L with the power off means.
type Termination struct {
	Ohm     float64 `json:"ohm"`
	Good    bool    `json:"good"`
	Meaning string  `json:"meaning"`
}

// JudgeTermination explains a reading. Two terminators of 120 ohm in parallel are 60 ohm; the window of 50 to 70 ohm is common
// practice without a source, the other values follow from 120 ohm in parallel.
func JudgeTermination(ohm float64) Termination {
	t := Termination{Ohm: ohm}
	near := func(v float64) bool { return math.Abs(ohm-v) <= v/6 }
	switch {
	case ohm < 5:
		t.Meaning = "short circuit between NET-H and NET-L: split the backbone in the middle and measure each half"
	case near(Terminator / 2):
		t.Good, t.Meaning = true, "two terminators, as it should be"
	case near(Terminator / 3):
		t.Meaning = "three terminators: remove the one that is not at an end"
	case near(Terminator / 4):
		t.Meaning = "four terminators: leave only the two at the ends"
	case near(Terminator):
		t.Meaning = "one terminator: one is missing, or the backbone is broken before the other end"
	case ohm > 1000:
		t.Meaning = "no terminator, or the data pair is broken at the place of the reading"
	default:
		t.Meaning = "no clean reading: check that power is off; look for corroded contacts, a wrong terminator or a powered device"
	}
	return t
}

// Tenths writes a load, with one decimal where it has any.
func Tenths(v float64) string {
	return strings.TrimSuffix(strconv.FormatFloat(math.Round(v*10)/10+0, 'f', 1, 64), ".0") // +0: never -0
}
