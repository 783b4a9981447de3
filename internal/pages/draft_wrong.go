package pages

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"

	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/input"
)

// wrong are the fields of the form that mistakes are about, by name, with what is wrong.
type wrong map[string]string

// formNames are the names of fields that differ from the keys of a layout, by the section of the layout and the key.
var formNames = map[string]string{"power.at": "name", "power.cable": "legcable", "power.length": "leg", "readings.voltage": "reading", "readings.at": "name",
	"tees.at": "name", "tees.name": "id", "proposed.name": "id", "segments.from": "name", "segments.to": "name"}

var layoutKey = regexp.MustCompile(`([a-z]+): `)

// wrongFields finds the fields of the mistakes that were made in text, the draft's own layout file. What has no field is left out.
func (d *draft) wrongFields(text string, err error) wrong {
	rows, lines, found := d.rows(), strings.Split(text, "\n"), wrong{}
	for _, err := range unjoined(err) {
		e, ok := errors.AsType[*input.Mistake](err)
		if !ok || e.Line < 1 || e.Line > len(lines) {
			continue
		}
		row, line, key := rows[e.Line-1], lines[e.Line-1], ""
		for _, at := range layoutKey.FindAllStringSubmatchIndex(line, -1) {
			if key == "" || at[0] < e.Column {
				key = line[at[2]:at[3]]
			}
		}
		if key == "" && row.section != "terminators" {
			continue
		}
		name := row.prefix + key
		if other, ok := formNames[row.section+"."+key]; ok {
			name = row.prefix + other
		}
		if row.section == "segments" && key == "to" {
			name = row.next + "name"
		}
		if row.prefix == "" && row.section != "" && row.section != "readings" {
			continue
		}
		if found[name] == "" {
			found[name] = boat.Printable(e.Text)
		}
	}
	return found
}

// unjoined are the errors that were joined into one.
func unjoined(err error) []error {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		return joined.Unwrap()
	}
	return []error{err}
}

// layoutRow is what a line of the draft's layout file is about: a section, the row of the form by its prefix, and the row after it.
type layoutRow struct{ section, prefix, next string }

// rows are those of each line.
func (d *draft) rows() (list []layoutRow) {
	var tees, feeds, readings []int
	drops, planned := map[int][]int{}, []int{}
	for i := range d.Drops {
		if x := &d.Drops[i]; x.Planned {
			planned = append(planned, i)
		} else {
			drops[x.At] = append(drops[x.At], i)
		}
	}
	for i := range d.Points {
		p := &d.Points[i]
		if len(drops[i]) > 0 || p.Ports != "" || p.Isolates {
			tees = append(tees, i)
		}
		if p.Power {
			feeds = append(feeds, i)
		}
		if p.Reading != "" {
			readings = append(readings, i)
		}
	}
	point, drop := func(i int) string { return fmt.Sprintf("p%d.", i) }, func(i int) string { return fmt.Sprintf("d%d.", i) }
	take := func(of *[]int, name func(int) string) string {
		if len(*of) == 0 {
			return ""
		}
		i := (*of)[0]
		*of = (*of)[1:]
		return name(i)
	}
	section, tee, segment, quantity := "", -1, 0, 0
	for line := range strings.SplitSeq(d.yaml(), "\n") {
		item := strings.HasPrefix(strings.TrimSpace(line), "- ")
		if line != "" && line[0] != ' ' {
			section, _, _ = strings.Cut(line, ":")
			list = append(list, layoutRow{})
			continue
		}
		row := layoutRow{section: section}
		switch {
		case section == "segments" && item:
			row.prefix, row.next = point(segment), point(segment+1)
			segment++
		case section == "power" && item:
			row.prefix = take(&feeds, point)
		case section == "readings" && item:
			row.prefix = take(&readings, point)
		case section == "proposed" && item:
			row.prefix = take(&planned, drop)
		case section == "coverage" && item:
			row.prefix = fmt.Sprintf("c%d.", quantity)
			quantity++
		case section == "tees" && strings.HasPrefix(line, "  - ") && len(tees) > 0:
			tee = tees[0]
			row.prefix = take(&tees, point)
		case section == "tees" && item:
			of := drops[tee]
			row.prefix = take(&of, drop)
			drops[tee] = of
		case section == "tees":
			row.prefix = point(tee)
		}
		list = append(list, row)
	}
	return list
}

// drawable is the draft without what is wrong, so that the rest of it is drawn; ok is false where that is no layout either.
func (d *draft) drawable(fields wrong) (l *backbone.Layout, ok bool) {
	c := *d
	c.Points, c.Drops, c.Coverage = append([]draftPoint(nil), d.Points...), append([]draftDrop(nil), d.Drops...), nil
	for range 3 { // some mistakes are found only when others are gone
		for name := range fields {
			c.leaveOut(name)
		}
		text := c.yaml()
		l, err := backbone.Parse(context.Background(), "", []byte(text))
		if err == nil {
			return l, true
		}
		if fields = c.wrongFields(text, err); len(fields) == 0 {
			break
		}
	}
	return nil, false
}

// leaveOut gives a field the value that is meant where nothing is entered.
func (d *draft) leaveOut(name string) {
	var i int
	var kind rune
	var field string
	if n, _ := fmt.Sscanf(name, "%c%d.%s", &kind, &i, &field); n != 3 {
		switch name {
		case "network":
			d.Network = ""
		case "resistance":
			d.Resistance = ""
		}
		return
	}
	switch {
	case kind == 'p' && i < len(d.Points):
		p := &d.Points[i]
		switch field {
		case "name":
			p.Name = fmt.Sprintf("point %d", i+1)
		case "length":
			p.Length = "1 m"
		case "cable":
			p.Cable = ""
		case "ports":
			p.Ports = ""
		case "reading":
			p.Reading = ""
		case "voltage":
			p.Voltage = "12 V"
		case "fuse", "leg", "legcable":
			p.Fuse, p.LegLength, p.LegCable = "3 A", "", ""
		}
	case kind == 'd' && i < len(d.Drops):
		x := &d.Drops[i]
		d.Drops[i] = draftDrop{Device: x.Device, At: x.At, Length: x.Length, Load: x.Load, Planned: x.Planned}
		switch field {
		case "device":
			d.Drops[i].Device = fmt.Sprintf("device %d", i+1)
		case "length":
			d.Drops[i].Length = "1 m"
		case "load":
			d.Drops[i].Load = "1"
		}
	}
}
