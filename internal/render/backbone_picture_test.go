package render

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"muster/internal/backbone"
)

// layouts draws random backbones: tees that are joined to each other are among them, and names of any length.
func layouts(t *rapid.T) *backbone.Layout {
	l := &backbone.Layout{}
	names := make([]string, rapid.IntRange(2, 12).Draw(t, "points"))
	for i := range names {
		names[i] = fmt.Sprintf("%sp%d", strings.Repeat("n", rapid.IntRange(1, 20).Draw(t, "name")), i)
	}
	for i := range names[1:] {
		s := backbone.Segment{From: names[i], To: names[i+1], Length: backbone.Length(rapid.Float64Range(.2, 30).Draw(t, "length")),
			Cable: rapid.SampledFrom([]string{"micro", "mid", "mini"}).Draw(t, "cable")}
		if rapid.Bool().Draw(t, "joined") {
			s.Length = .05
		}
		l.Segments = append(l.Segments, s)
	}
	for _, i := range rapid.SliceOfNDistinct(rapid.IntRange(0, len(names)-1), 1, 2, rapid.ID).Draw(t, "feeds") {
		l.Power = append(l.Power, backbone.Power{At: names[i], Voltage: backbone.Volts(rapid.Float64Range(11, 14).Draw(t, "voltage")),
			Length: backbone.Length(rapid.SampledFrom([]float64{0, 2, 5}).Draw(t, "leg")), Cable: "mid"})
	}
	for _, at := range names {
		tee := backbone.Tee{At: at}
		for range rapid.IntRange(0, 3).Draw(t, "drops") {
			tee.Drops = append(tee.Drops, backbone.Drop{At: at, Length: backbone.Length(rapid.SampledFrom([]float64{0, .5, 3, 6}).Draw(t, "drop")),
				Load: float64(rapid.IntRange(1, 12).Draw(t, "load"))})
		}
		l.Tees = append(l.Tees, tee)
	}
	return l
}

// TestPicture: on random backbones, points and texts keep clear of each other and within the picture.
func TestPicture(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := pictureOf(backbone.Judge(layouts(t)), nil)
		ends := map[float64]float64{} // row of names → where the last one ends
		for i, d := range p.Dots {
			half := letter * float64(max(utf8.RuneCountInString(d.Name), utf8.RuneCountInString(d.Volts))) / 2
			if end, ok := ends[d.Up]; ok && end > d.X-half {
				t.Fatalf("%s runs into the name before it", d.Name)
			}
			ends[d.Up] = half + d.X
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
