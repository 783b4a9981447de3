package render

import (
	"fmt"
	"io"
	"strings"

	"muster/internal/backbone"
	"muster/internal/boat"
)

// BackboneText prints an audit for a terminal.
func BackboneText(w io.Writer, a *backbone.Audit) error {
	var b strings.Builder
	if a.Boat != "" {
		fmt.Fprintf(&b, "%s\n", boat.Printable(a.Boat))
	}
	for _, f := range BackboneFigures(a) {
		fmt.Fprintf(&b, "%-28s %s\n", f[0], boat.Printable(f[1]))
	}
	b.WriteString("\nAlong the backbone\n")
	for _, s := range AlongBackbone(a) {
		fmt.Fprintf(&b, "  %6.1f m  %-16s %s\n", s.Metres, boat.Printable(s.Name), s.Words)
		for _, o := range s.Outlets {
			fmt.Fprintf(&b, "            └ %-14s %s, %s\n", boat.Printable(o.Device), Drop(o), Volts(o.Volts))
		}
		if s.Onward != "" {
			fmt.Fprintf(&b, "            │ %s\n", s.Onward)
		}
	}
	writeLive(&b, a)
	if len(a.Findings) == 0 {
		b.WriteString("\n" + nothingFound + "\n")
	} else {
		b.WriteString("\nFindings\n")
	}
	for _, f := range a.Findings {
		fmt.Fprintf(&b, "  %-8s  %s: %s\n            %s:\n", f.Severity, f.Check, boat.Printable(f.Summary), RemedyLabel)
		for _, step := range RemedyLines(f.Steps) {
			fmt.Fprintf(&b, "              %s\n", step)
		}
	}
	b.WriteString("\nCautions\n")
	for _, c := range a.Cautions {
		fmt.Fprintf(&b, "  - %s\n", c)
	}
	b.WriteString("\nWhere the figures come from\n")
	for _, x := range a.Sources {
		fmt.Fprintf(&b, "  - %s\n", x)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// Stop is one point on the way along the backbone.
type Stop struct {
	backbone.Point
	Words   string // the voltage, and what is there besides
	Outlets []backbone.Outlet
	Onward  string // the cable to the next point and its current; empty at the end
}

// AlongBackbone goes along the backbone from the first end to the other.
func AlongBackbone(a *backbone.Audit) []Stop {
	var stops []Stop
	for i, p := range a.Solution.Points {
		s := Stop{Point: p, Words: pointWords(p)}
		for _, o := range a.Solution.Outlets {
			if o.At == p.Name {
				s.Outlets = append(s.Outlets, o)
			}
		}
		if i < len(a.Solution.Legs) {
			g := a.Solution.Legs[i]
			s.Onward = fmt.Sprintf("%s %s, %s", metres(g.Metres), g.Cable, current(g))
		}
		stops = append(stops, s)
	}
	return stops
}

// Drop is the length and the load of a drop cable.
func Drop(o backbone.Outlet) string {
	return fmt.Sprintf("drop cable %.1f m, %s LEN", o.Metres, backbone.Tenths(o.Load))
}

// supplyWords is the voltage that a device measured.
func supplyWords(s backbone.Supply) string {
	if s.Own {
		return fmt.Sprintf("%s: measures %.2f V at its drop cable, calculated %.2f V", s.Device, s.Measured, s.Computed)
	}
	return fmt.Sprintf("%s: measures %.2f V at the power feed %s, layout %.2f V", s.Device, s.Measured, s.At, s.Computed)
}

// LiveLines compare the layout with the live network; there are none for nil.
func LiveLines(l *backbone.Live) []string {
	if l == nil {
		return nil
	}
	out := []string{fmt.Sprintf("reported %s LEN, layout %s LEN", backbone.Tenths(l.Load.Value), backbone.Tenths(l.Load.Limit))}
	if l.Unsaid > 0 {
		out[0] += fmt.Sprintf("; devices that report no LEN: %d", l.Unsaid)
	}
	for _, x := range l.Missing {
		out = append(out, "in the layout, not on the network: "+x)
	}
	if n := len(l.Extra); n > 0 { // each has a finding of its own
		out = append(out, "on the network, not in the layout: "+boat.Counted(n, "device", "devices"))
	}
	for _, x := range l.Added {
		out = append(out, "proposed, already on the network: "+x)
	}
	for _, x := range l.Unidentified {
		out = append(out, "on the network, identity not reported: "+x)
	}
	for _, x := range l.NotLookedFor {
		out = append(out, "in the layout without model, role or NAME, so not compared: "+x)
	}
	for _, x := range l.Declared {
		out = append(out, fmt.Sprintf("%s: layout %s LEN, reported %s LEN", x.Device, backbone.Tenths(x.Planned), backbone.Tenths(x.Declared)))
	}
	for _, x := range l.Supplies {
		out = append(out, supplyWords(x))
	}
	if l.Lowest != nil {
		out = append(out, fmt.Sprintf("with reported loads and measured network power: lowest voltage at %s, %s; voltage drop %.2f V", l.Lowest.Device, Volts(l.Lowest.Volts), l.Spread.Value))
	}
	return out
}

func writeLive(b *strings.Builder, a *backbone.Audit) {
	if lines := LiveLines(a.Live); len(lines) > 0 {
		b.WriteString("\nCompared with the network\n")
		for _, x := range lines {
			fmt.Fprintf(b, "  %s\n", boat.Printable(x))
		}
	}
	if len(a.Coverage) > 0 {
		b.WriteString("\nRequired data\n")
	}
	for _, c := range a.Coverage {
		fmt.Fprintf(b, "  %-9s %s", c.State, boat.Printable(c.Quantity))
		if len(c.From) > 0 {
			fmt.Fprintf(b, " from %s", boat.Printable(strings.Join(c.From, ", ")))
		}
		if c.Note != "" {
			fmt.Fprintf(b, " (%s)", boat.Printable(c.Note))
		}
		b.WriteByte('\n')
	}
}

// BackboneFigures are the audit's main figures in words, each with its limit.
func BackboneFigures(a *backbone.Audit) [][2]string {
	out := [][2]string{{"Backbone length", fmt.Sprintf("%.1f m (limit %.0f m)", a.Cable.Value, a.Cable.Limit)}}
	if a.Length.Value > a.Cable.Value {
		out = append(out, [2]string{"With drop cables beyond its ends", fmt.Sprintf("%.1f m (limit %.0f m)", a.Length.Value, a.Length.Limit)})
	}
	out = append(out, [][2]string{
		{"All drop cables", fmt.Sprintf("%.1f m (limit %.0f m)", a.DropSum.Value, a.DropSum.Limit)},
		{"Devices", fmt.Sprintf("%.0f (limit %.0f)", a.Devices.Value, a.Devices.Limit)},
		{"Load equivalency", fmt.Sprintf("%s LEN, %.2f A", backbone.Tenths(a.Load), a.Load*backbone.AmpsPerLoad)},
	}...)
	for _, f := range a.Solution.Feeds {
		text := fmt.Sprintf("%.2f V, %.2f A: %s LEN to one side, %s here, %s to the other", f.Voltage, f.Amps, backbone.Tenths(f.LoadLeft), backbone.Tenths(f.LoadHere), backbone.Tenths(f.LoadRest))
		for _, p := range a.Solution.Points {
			if p.Name == f.At && p.Volts != nil && f.Voltage-*p.Volts > .005 {
				text += fmt.Sprintf("; voltage drop on the power cable %.2f V", f.Voltage-*p.Volts)
			}
		}
		if f.Fuse > 0 {
			text += fmt.Sprintf("; fuse %.0f A", f.Fuse)
		}
		out = append(out, [2]string{"Power feed at " + f.At, text})
	}
	if o := a.Lowest; o != nil {
		out = append(out, [2]string{"Lowest voltage", fmt.Sprintf("%.2f V at %s (limit %.0f V)", *o.Volts, o.Device, backbone.MinVolts)})
	}
	out = append(out,
		[2]string{"Voltage drop", fmt.Sprintf("%.2f V (limit %.1f V)", a.Spread.Value, a.Spread.Limit)},
		[2]string{"By rule of thumb", fmt.Sprintf("%.2f V, with the whole load of the worse side at its far end", a.RuleOfThumb)})
	if b := a.BestFeed; b != nil {
		out = append(out, [2]string{"Best power feed", fmt.Sprintf("%s: lowest %.2f V (now %.2f V)", b.At, b.Lowest, b.Now)})
	}
	if x := a.Proposed; x != nil {
		text := fmt.Sprintf("%s LEN, lowest voltage %.2f V, voltage drop %.2f V", backbone.Tenths(x.Load), x.Lowest, x.Spread)
		for _, f := range x.Findings {
			text += ". " + f.Summary
		}
		out = append(out, [2]string{"With proposed devices", text})
	}
	if t := a.Termination; t != nil {
		out = append(out, [2]string{"Termination resistance", fmt.Sprintf("%.0f ohm: %s", t.Ohm, t.Meaning)})
	}
	for _, r := range a.Readings {
		out = append(out, [2]string{"Voltage reading at " + r.At, fmt.Sprintf("%.2f V measured, %.2f V calculated", r.Measured, r.Computed)})
	}
	return out
}

func pointWords(p backbone.Point) string {
	text := Volts(p.Volts)
	if p.Power {
		text += ", power feed"
	}
	if p.Terminator {
		text += ", terminator"
	}
	return text
}

// metres writes the length of a cable, below 1 m to the centimetre.
func metres(v float64) string {
	if v < 1 {
		return fmt.Sprintf("%.2f m", v)
	}
	return fmt.Sprintf("%.1f m", v)
}

// Volts writes a voltage; a point without network power has none.
func Volts(v *float64) string {
	if v == nil {
		return "no network power"
	}
	return fmt.Sprintf("%.2f V", *v)
}

func current(g backbone.Leg) string {
	switch {
	case g.Amps < 0:
		return fmt.Sprintf("%.2f A ↑", -g.Amps)
	case g.Amps > 0:
		return fmt.Sprintf("%.2f A ↓", g.Amps)
	}
	return "no current"
}
