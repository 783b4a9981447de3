package backbone

import (
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"slices"
	"strings"
)

//go:embed backbone.svg
var pictureSVG string

var pictureTemplate = template.Must(template.New("picture").Parse(pictureSVG))

// dot is one point of the picture.
type dot struct {
	X, Drop     float64 // X along the backbone, Drop the lowest end of its drops
	Name, Volts string
	Power       bool
	Terminator  bool
	Drops       []line
}

// line is one drop.
type line struct {
	X, Y          float64
	Device, Volts string
}

// label is the text on one segment.
type label struct {
	X    float64
	Text string
}

// Picture draws the backbone to scale as SVG: lengths along and down, voltages and currents beside.
func (a *Audit) Picture() (string, error) {
	const width, left, top, rowHeight = 920.0, 40.0, 70.0, 26.0
	s := a.Solution
	total := s.Points[len(s.Points)-1].Metres
	right := left
	if end := s.Points[len(s.Points)-1].Name; slices.ContainsFunc(s.Outlets, func(o Outlet) bool { return o.At == end }) {
		right = 135 // room for the texts of its drops
	}
	scale := (width - left - right) / max(total, 1)
	byLength := slices.Clone(s.Outlets)
	slices.SortStableFunc(byLength, func(a, b Outlet) int { return cmp.Compare(a.Metres, b.Metres) })
	var dots []dot
	lowest := top + 60
	for i, p := range s.Points {
		d := dot{X: left + p.Metres*scale, Name: p.Name, Volts: volts(p.Volts), Power: p.Power, Terminator: p.Terminator}
		y, aside := top, float64(i%2)*rowHeight/2 // aside: texts of neighbours get rows of their own
		for _, o := range byLength {
			if o.At == p.Name {
				y = max(y+rowHeight, top+18+o.Metres*scale+aside)
				d.Drops = append(d.Drops, line{X: d.X, Y: y, Device: o.Device, Volts: volts(o.Volts)})
			}
		}
		d.Drop = y
		lowest = max(lowest, y)
		dots = append(dots, d)
	}
	var labels []label
	for i, g := range s.Legs {
		labels = append(labels, label{(dots[i].X + dots[i+1].X) / 2, fmt.Sprintf("%.1f m · %.2f A", g.Metres, max(g.Amps, -g.Amps))})
	}
	var b strings.Builder
	err := pictureTemplate.Execute(&b, map[string]any{"Width": width, "Height": lowest + 50, "Top": top, "Left": left, "Right": width - right,
		"Dots": dots, "Labels": labels, "Total": total, "Metre": scale})
	if err != nil {
		return "", fmt.Errorf("draw backbone: %w", err)
	}
	return b.String(), nil
}
