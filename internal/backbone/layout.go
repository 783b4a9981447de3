// Package backbone checks the physical network: lengths, loads, voltage drop, termination and power feeds.
package backbone

import (
	_ "embed"
	"strconv"
	"strings"

	"muster/internal/input"
)

// Schema is the JSON Schema of the layout file, for editors.
//
//go:embed layout.schema.json
var Schema []byte

// Layout is the plan of one backbone as the installer writes it.
type Layout struct {
	Boat        string     `yaml:"boat"`
	Network     string     `yaml:"network"` // as reports call it; the only NMEA 2000 network when left out
	Segments    []Segment  `yaml:"segments"`
	Tees        []Tee      `yaml:"tees"`
	Terminators []string   `yaml:"terminators"` // points that have one
	Power       []Power    `yaml:"power"`
	Readings    Readings   `yaml:"readings"`
	Proposed    []Drop     `yaml:"proposed"` // devices that may be added, at the tee they name
	Coverage    []Coverage `yaml:"coverage"`
}

// Segment is one length of backbone cable between two points.
type Segment struct {
	From   string `yaml:"from"`
	To     string `yaml:"to"`
	Length Length `yaml:"length"`
	Cable  string `yaml:"cable"` // micro, mid or mini
}

// Tee is a tee or a multi-port block at a point of the backbone.
type Tee struct {
	At       string `yaml:"at"`
	Ports    int    `yaml:"ports"`    // drop cables that a multi-port tee takes; not known when left out
	Isolates bool   `yaml:"isolates"` // the positive wire is cut here, to keep two supplies apart
	Drops    []Drop `yaml:"drops"`
}

// Drop is a cable from a tee to a device.
type Drop struct {
	At     string  `yaml:"at"` // only under proposed
	Length Length  `yaml:"length"`
	Cable  string  `yaml:"cable"` // micro when left out
	Device string  `yaml:"device"`
	Model  string  `yaml:"model"`
	Role   string  `yaml:"role"`
	Name   string  `yaml:"name"` // NAME as 16 hex digits
	Load   float64 `yaml:"load"` // load equivalency, units of 50 mA

	// Measures is where the voltage is measured that the device reports in its battery or DC messages: "drop" for its
	// own connection, or the power point. Instance is which of several batteries it is; the lowest when left out.
	Measures string `yaml:"measures"`
	Instance *uint8 `yaml:"instance"`
}

// ownConnection is the place of a device that measures the voltage it gets from the backbone.
const ownConnection = "drop"

// Power is a place where the supply comes in.
type Power struct {
	At      string `yaml:"at"`
	Voltage Volts  `yaml:"voltage"`
	Fuse    Amps   `yaml:"fuse"`
	Cable   string `yaml:"cable"`  // of the power leg; with Length it adds its own drop
	Length  Length `yaml:"length"` // from the battery or switch panel
}

// Readings are what the meter showed.
type Readings struct {
	Resistance *Ohms     `yaml:"resistance"` // between NET-H and NET-L, power off
	Voltage    []Reading `yaml:"voltage"`
}

// Reading is one voltage between NET-S and NET-C, power on.
type Reading struct {
	At      string `yaml:"at"`
	Voltage Volts  `yaml:"voltage"`
}

// Coverage is one quantity that the boat must have, and where it should come from.
type Coverage struct {
	Quantity string `yaml:"quantity"`
	From     string `yaml:"from"` // device as the layout names it, a model, or an NMEA 0183 talker with its line: ttyUSB0/GP
}

// Length is metres; in the file a number with "m" or "ft".
type Length float64

// Volts, Amps and Ohms are plain units; in the file a number with or without "V", "A" or "ohm".
type (
	Volts float64
	Amps  float64
	Ohms  float64
)

const metresPerFoot = 0.3048 // exact by definition

// UnmarshalYAML reads a length.
func (l *Length) UnmarshalYAML(decode func(any) error) error {
	var t input.Text
	if decode(&t) != nil || t.Value == "" {
		return t.Mistake("expected a length: write it as 4.5 m or 15 ft")
	}
	s, unit := t.Value, 1.0
	number, found := strings.CutSuffix(s, "ft")
	if found {
		unit = metresPerFoot
	} else if number, found = strings.CutSuffix(s, "m"); !found {
		if c := s[len(s)-1]; c >= '0' && c <= '9' {
			return t.Mistake("length %q has no unit: write %q or %q", s, s+" m", s+" ft")
		}
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if !found || err != nil || v != v {
		return t.Mistake("length %q is no number with a unit: write it as 4.5 m or 15 ft", s)
	}
	*l = Length(v * unit)
	return nil
}

// figure reads a number with one of the units or none.
func figure(decode func(any) error, units ...string) (float64, error) {
	var t input.Text
	_ = decode(&t) // what is no scalar has no text, which is no number
	number := t.Value
	for _, u := range units {
		if cut, ok := strings.CutSuffix(number, u); ok {
			number = cut
			break
		}
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || v != v {
		return 0, t.Mistake("%q is no number in %s: write it as 12 %s", t.Value, units[0], units[0])
	}
	return v, nil
}

// UnmarshalYAML reads a voltage.
func (v *Volts) UnmarshalYAML(decode func(any) error) (err error) {
	*(*float64)(v), err = figure(decode, "V")
	return err
}

// UnmarshalYAML reads a current.
func (a *Amps) UnmarshalYAML(decode func(any) error) (err error) {
	*(*float64)(a), err = figure(decode, "A")
	return err
}

// UnmarshalYAML reads a resistance.
func (o *Ohms) UnmarshalYAML(decode func(any) error) (err error) {
	*(*float64)(o), err = figure(decode, "ohm", "Ω")
	return err
}

// Points lists the points of the backbone in the order in which the file names them.
func (l *Layout) Points() []string {
	var out []string
	seen := map[string]bool{}
	for _, s := range l.Segments {
		for _, p := range []string{s.From, s.To} {
			if p != "" && !seen[p] {
				seen[p] = true
				out = append(out, p)
			}
		}
	}
	return out
}
