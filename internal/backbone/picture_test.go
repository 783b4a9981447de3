package backbone

import (
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// TestPicture: on random backbones, tees that are joined to each other among them, points and texts keep clear of each other and within
// the picture.
func TestPicture(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := layouts(t)
		for i := range l.Segments {
			if rapid.Bool().Draw(t, "joined") {
				l.Segments[i].Length = .05
			}
		}
		names := map[string]string{}
		for i, p := range l.line() {
			names[p] = strings.Repeat("n", rapid.IntRange(1, 20).Draw(t, "name")) + p
			if i > 0 {
				l.Segments[i-1].To = names[p]
			}
			if i < len(l.Segments) {
				l.Segments[i].From = names[p]
			}
		}
		for i := range l.Tees {
			l.Tees[i].At = names[l.Tees[i].At]
			for k := range l.Tees[i].Drops {
				l.Tees[i].Drops[k].At = l.Tees[i].At
			}
		}
		for i := range l.Power {
			l.Power[i].At = names[l.Power[i].At]
		}
		p := Judge(l).picture()
		ends := map[float64]float64{} // row of names → where the last one ends
		for i, d := range p.Dots {
			half := letter * float64(max(utf8.RuneCountInString(d.Name), utf8.RuneCountInString(d.Volts))) / 2
			if end, ok := ends[d.Up]; ok && end > d.X-half {
				t.Fatalf("%s runs into the name before it", d.Name)
			}
			ends[d.Up] = d.X + half
			if i > 0 && d.X-p.Dots[i-1].X < nearest-1e-6 {
				t.Fatalf("%s is %.1f from the point before it", d.Name, d.X-p.Dots[i-1].X)
			}
			if p.Top-40-d.Up < 10 || d.Drop > p.Height || d.X > p.Width {
				t.Fatalf("%s is outside", d.Name)
			}
		}
		if math.Abs(p.Right-p.Dots[len(p.Dots)-1].X) > 1e-6 || p.Height > p.Top+2000 {
			t.Fatalf("the line ends at %g; the picture is %g high", p.Right, p.Height)
		}
	})
}
