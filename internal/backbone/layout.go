// Package backbone judges the physical network: lengths, loads, voltage drop, termination and feeding.
package backbone

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
)

// Schema is the JSON Schema of the layout file, for editors.
//
//go:embed layout.schema.json
var Schema []byte

// Layout is the plan of one backbone as the installer writes it.
type Layout struct {
	Boat        string     `yaml:"boat"`
	Segments    []Segment  `yaml:"segments"`
	Tees        []Tee      `yaml:"tees"`
	Terminators []string   `yaml:"terminators"` // points that have one
	Power       []Power    `yaml:"power"`
	Readings    Readings   `yaml:"readings"`
	Adding      []Drop     `yaml:"adding"` // devices that are thought of, at the tee they name
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
	Isolates bool   `yaml:"isolates"` // the positive wire is cut here, to keep two supplies apart
	Drops    []Drop `yaml:"drops"`
}

// Drop is a cable from a tee to a device.
type Drop struct {
	At     string  `yaml:"at"` // only under adding
	Length Length  `yaml:"length"`
	Cable  string  `yaml:"cable"` // micro when left out
	Device string  `yaml:"device"`
	Model  string  `yaml:"model"`
	Role   string  `yaml:"role"`
	Name   string  `yaml:"name"` // NAME as 16 hex digits
	Load   float64 `yaml:"load"` // load equivalency, units of 50 mA

	// Measures says what the voltage is that the device tells in its battery or DC messages: "drop" for that of its own connection, or
	// the power point that it measures at. Instance says which of several batteries it is; the lowest when left out.
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
	From     string `yaml:"from"` // device as the layout names it, or a model
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
func (l *Length) UnmarshalYAML(text []byte) error {
	s := strings.Trim(strings.TrimSpace(string(text)), `"'`)
	unit := 1.0
	number, found := strings.CutSuffix(s, "ft")
	if found {
		unit = metresPerFoot
	} else if number, found = strings.CutSuffix(s, "m"); !found {
		return fmt.Errorf("length %q has no unit: write %q or %q", s, s+" m", s+" ft")
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || v != v {
		return fmt.Errorf("length %q is no number with a unit: write it as 4.5 m or 15 ft", s)
	}
	*l = Length(v * unit)
	return nil
}

func quantity(text []byte, units ...string) (float64, error) {
	s := strings.Trim(strings.TrimSpace(string(text)), `"'`)
	number := s
	for _, u := range units {
		if n, ok := strings.CutSuffix(s, u); ok {
			number = n
			break
		}
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || v != v {
		return 0, fmt.Errorf("%q is no number in %s", s, units[0])
	}
	return v, nil
}

// UnmarshalYAML reads a voltage.
func (v *Volts) UnmarshalYAML(text []byte) error {
	f, err := quantity(text, "V")
	*v = Volts(f)
	return err
}

// UnmarshalYAML reads a current.
func (a *Amps) UnmarshalYAML(text []byte) error {
	f, err := quantity(text, "A")
	*a = Amps(f)
	return err
}

// UnmarshalYAML reads a resistance.
func (o *Ohms) UnmarshalYAML(text []byte) error {
	f, err := quantity(text, "ohm", "Ω")
	*o = Ohms(f)
	return err
}

// Parse reads a layout file and checks that it makes sense as a backbone. A YAML error gives line and column;
// every other problem of the plan is in the joined error, one line each, with its place.
func Parse(data []byte) (l *Layout, err error) {
	defer func() { // the YAML reader is not ours: what it trips over is a mistake of the file
		if p := recover(); p != nil {
			l, err = nil, fmt.Errorf("the YAML cannot be read: %v", p)
		}
	}()
	l = new(Layout)
	if err := yaml.NewDecoder(bytes.NewReader(data), yaml.Strict()).Decode(l); err != nil {
		return nil, errors.New(strings.TrimSpace(yaml.FormatError(err, false, false)))
	}
	for i := range l.Tees {
		for k := range l.Tees[i].Drops {
			l.Tees[i].Drops[k].At = l.Tees[i].At
		}
	}
	if err := l.validate(); err != nil {
		return nil, err
	}
	return l, nil
}

// absurd is the length in metres above which a single cable is taken for a slip of the pen (own choice: the longest backbone is 200 m).
const absurd = 500

func (l *Layout) validate() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if len(l.Segments) == 0 {
		bad("segments: there are none: give the backbone's cables from end to end")
	}
	ends := map[string][]int{}
	for i, s := range l.Segments {
		where := fmt.Sprintf("segment %d (%s to %s)", i+1, s.From, s.To)
		switch {
		case s.From == "" || s.To == "":
			bad("segment %d: it needs from and to", i+1)
		case s.From == s.To:
			bad("%s: both ends are one point", where)
		}
		if s.Length <= 0 || s.Length > absurd {
			bad("%s: length %g m is not between 0 and %d m", where, s.Length, absurd)
		}
		if _, ok := cableOf(s.Cable); !ok {
			bad("%s: unknown cable %q: use %s", where, s.Cable, cableNames())
		}
		ends[s.From], ends[s.To] = append(ends[s.From], i+1), append(ends[s.To], i+1)
	}
	for _, p := range l.Points() {
		if n := ends[p]; len(n) > 2 {
			bad("%s: segments %v meet there; a backbone is one line, so at most two segments claim one end: make the others drops", p, n)
		}
	}
	if len(errs) == 0 {
		if err := l.oneLine(); err != nil {
			errs = append(errs, err)
		}
	}
	known := func(what, p string) {
		if _, ok := ends[p]; !ok {
			bad("%s: no segment begins or ends at %q", what, p)
		}
	}
	seen := map[string]bool{}
	for _, t := range l.Tees {
		known("tee", t.At)
		if seen[t.At] {
			bad("tee %s: given twice", t.At)
		}
		seen[t.At] = true
		for _, d := range t.Drops {
			l.validateDrop(d, "tee "+t.At, bad)
		}
	}
	for _, d := range l.Adding {
		known("adding", d.At)
		l.validateDrop(d, "adding at "+d.At, bad)
	}
	for _, p := range l.Terminators {
		known("terminator", p)
	}
	if len(l.Power) == 0 {
		bad("power: no point feeds the backbone: give at and voltage")
	}
	for _, p := range l.Power {
		known("power", p.At)
		if p.Voltage <= 0 || p.Voltage > 60 {
			bad("power at %s: %g V is no supply for a backbone", p.At, p.Voltage)
		}
		if p.Length < 0 || p.Length > absurd {
			bad("power at %s: length %g m is not between 0 and %d m", p.At, p.Length, absurd)
		}
		if _, ok := cableOf(orMicro(p.Cable)); !ok {
			bad("power at %s: unknown cable %q: use %s", p.At, p.Cable, cableNames())
		}
	}
	for _, r := range l.Readings.Voltage {
		known("reading", r.At)
	}
	return errors.Join(errs...)
}

func (l *Layout) validateDrop(d Drop, where string, bad func(string, ...any)) {
	if d.Device != "" {
		where += ", " + d.Device
	}
	if d.Length < 0 || d.Length > absurd {
		bad("%s: drop of %g m is not between 0 and %d m", where, d.Length, absurd)
	}
	if d.Load < 0 || d.Load > 252 {
		bad("%s: load equivalency %g is not between 0 and 252", where, d.Load)
	}
	if _, ok := cableOf(orMicro(d.Cable)); !ok {
		bad("%s: unknown cable %q: use %s", where, d.Cable, cableNames())
	}
	if d.Measures != "" && d.Measures != ownConnection && !slices.ContainsFunc(l.Power, func(p Power) bool { return p.At == d.Measures }) {
		bad("%s: measures %q: no power comes in there: name a point under power, or %q for the device's own connection", where, d.Measures, ownConnection)
	}
	if d.Instance != nil && d.Measures == "" {
		bad("%s: instance says which battery it measures, but measures is not given", where)
	}
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

// oneLine checks that the segments form one line without a loop and puts them in order from one end to the other.
func (l *Layout) oneLine() error {
	touching := map[string][]int{}
	for i, s := range l.Segments {
		touching[s.From], touching[s.To] = append(touching[s.From], i), append(touching[s.To], i)
	}
	start := ""
	for _, p := range l.Points() {
		if len(touching[p]) == 1 {
			start = p
			break
		}
	}
	if start == "" {
		return fmt.Errorf("segment 1 (%s to %s): the segments form a loop; a backbone has two ends", l.Segments[0].From, l.Segments[0].To)
	}
	used := make([]bool, len(l.Segments))
	var line []Segment
	for at := start; ; {
		next := -1
		for _, i := range touching[at] {
			if !used[i] {
				next = i
			}
		}
		if next < 0 {
			break
		}
		used[next] = true
		s := l.Segments[next]
		if s.To == at {
			s.From, s.To = s.To, s.From
		}
		line = append(line, s)
		at = s.To
	}
	for i, s := range l.Segments {
		if !used[i] {
			return fmt.Errorf("segment %d (%s to %s): it is not connected with %s, or closes a loop", i+1, s.From, s.To, start)
		}
	}
	l.Segments = line
	return nil
}
