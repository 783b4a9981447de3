package backbone

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestDamagedAgainstCircuitSolver: an independent circuit solver finds the same voltages with poor contacts and cut parts.
func TestDamagedAgainstCircuitSolver(t *testing.T) {
	spice := need(t, "ngspice")
	dir := t.TempDir()
	gen := rapid.Custom(layouts)
	for seed := range 12 {
		l := gen.Example(seed)
		d := Damage{Segments: map[int]float64{seed % len(l.Segments): .4}, Feeds: map[int]float64{0: .2}}
		if n := len(l.drops(nil)); n > 0 {
			d.Drops = map[int]float64{seed % n: .7}
		}
		if seed%2 == 1 && len(l.Power) > 0 {
			d.Segments[len(l.Segments)-1] = math.Inf(1)
		}
		s := l.SolveDamaged(d)
		file := filepath.Join(dir, fmt.Sprintf("%d.cir", seed))
		if err := os.WriteFile(file, []byte(damagedNetlist(l, d)), 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(spice, "-b", file).CombinedOutput()
		if err != nil {
			t.Fatalf("ngspice: %v: %s", err, out)
		}
		for _, p := range s.Points {
			var got float64
			_, rest, ok := strings.Cut(string(out), fmt.Sprintf("v(%s) = ", strings.ToLower(p.Name)))
			if _, err := fmt.Sscan(rest, &got); !ok || err != nil {
				t.Fatalf("ngspice does not report %s: %s", p.Name, out)
			}
			if p.Volts == nil { // a leak of the netlist holds what is cut off
				continue
			}
			if math.Abs(got-*p.Volts) > 1e-3 {
				t.Errorf("layout %d, %s: ngspice %g V, ours %g V", seed, p.Name, got, *p.Volts)
			}
		}
	}
}

// damagedNetlist writes a layout with damage as a circuit of loops: every conductor there and back is one resistor. What is cut has 1e12 ohm,
// and draws nothing behind it.
func damagedNetlist(l *Layout, d Damage) string {
	var b strings.Builder
	b.WriteString("backbone\n")
	s := l.SolveDamaged(d)
	ohm := func(r float64) float64 { return min(r, 1e12) }
	for i, g := range l.Segments {
		fmt.Fprintf(&b, "Rs%d %s %s %g\n", i, g.From, g.To, ohm(loop(g.Cable, g.Length)+d.Segments[i]))
	}
	for i, x := range l.drops(nil) {
		at := x.At
		if r := loop(x.Cable, x.Length) + d.Drops[i]; r > 0 {
			at = fmt.Sprintf("drop%d", i)
			fmt.Fprintf(&b, "Rd%d %s %s %g\n", i, x.At, at, ohm(r))
		}
		if s.Outlets[i].Volts != nil {
			fmt.Fprintf(&b, "I%d %s 0 DC %g\n", i, at, x.Load*AmpsPerLoad)
		}
	}
	for i, p := range l.Power {
		at := p.At
		if r := loop(p.Cable, p.Length) + d.Feeds[i]; r > 0 {
			at = fmt.Sprintf("feed%d", i)
			fmt.Fprintf(&b, "Rf%d %s %s %g\n", i, at, p.At, ohm(r))
		}
		fmt.Fprintf(&b, "V%d %s 0 DC %g\n", i, at, float64(p.Voltage))
	}
	b.WriteString(".control\nop\nset numdgt=10\n")
	for _, p := range l.line() {
		fmt.Fprintf(&b, "print v(%s)\n", p)
	}
	b.WriteString("quit 0\n.endc\n.end\n")
	return b.String()
}
