package fault

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"muster/internal/backbone"
	"muster/internal/locate"
	"muster/internal/sim"
)

// demo is the built-in boat and its layout.
func demo(t testing.TB) (*sim.Scenario, *backbone.Layout) {
	t.Helper()
	sc, err := sim.Load(t.Context(), "demo")
	if err != nil {
		t.Fatal(err)
	}
	l, err := backbone.Parse(t.Context(), "demo", sim.Layout("demo"))
	if err != nil {
		t.Fatal(err)
	}
	return sc, l
}

func TestParse(t *testing.T) {
	_, l := demo(t)
	for _, c := range []struct{ in, want, bad string }{
		{in: "open at tee 3", want: "open at tee helm"},
		{in: "short at cable helm - flybridge from 90s", want: "short at cable helm – flybridge from 1m30s"},
		{in: "resistive at drop wind sensor", want: "resistive at drop wind sensor"},
		{in: "missing at terminator fore cabin", want: "missing at terminator fore cabin"},
		{in: "open at interface", want: "open at interface"},
		{in: "open tee 3", bad: "write it as 'open at tee 3'"},
		{in: "open at tee 33", bad: `the layout has no part "tee 33"`},
		{in: "flooding at tee 3", bad: `a tee has no fault "flooding": use one of open, resistive`},
		{in: "open at tee 3 from -1s", bad: "not between 0 and 24h"},
	} {
		f, err := Parse(l, c.in)
		switch {
		case c.bad != "":
			if err == nil || !strings.Contains(err.Error(), c.bad) {
				t.Errorf("%q: %v, want %q", c.in, err, c.bad)
			}
		case err != nil:
			t.Error(err)
		case f.String() != c.want:
			t.Errorf("%q: %s, want %s", c.in, f, c.want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"open at tee 3", "short at cable helm - flybridge from 90s", "water at connector wind sensor from 1h", "at at from", "open at tee 3 from 1e9h", "open at  from 1s"} {
		f.Add(s)
	}
	_, l := demo(f)
	f.Fuzz(func(t *testing.T, s string) {
		got, err := Parse(l, s)
		if err != nil {
			return
		}
		if again, err := Parse(l, got.String()); err != nil || again != got {
			t.Errorf("%q is %q, which is %+v, %v", s, got, again, err)
		}
	})
}

// TestEveryFault: each fault of each part of the demo's boat does something to it, or is one that no listener notices.
func TestEveryFault(t *testing.T) {
	_, l := demo(t)
	for kind := range kinds {
		for _, k := range Kinds(kind) {
			part, err := locate.FindPart(l, map[string]string{"cable": "cable helm - flybridge", "tee": "tee 4", "drop": "drop AIS", "connector": "connector AIS",
				"unit": "unit AIS", "terminator": "terminator lazarette", "feed": "feed engine room", "fuse": "fuse engine room", "interface": "interface"}[kind])
			if err != nil {
				t.Fatal(err)
			}
			sc, _ := demo(t)
			before := len(sc.Timeline)
			b, err := Break(sc, l, "", 3, Fault{Kind: k, Part: part})
			if err != nil {
				t.Fatal(err)
			}
			absent := slices.ContainsFunc(sc.Devices, func(d sim.Device) bool { return d.Absent })
			if quiet := k == "order" || k == "extra"; !quiet && len(sc.Timeline) == before+1 && !absent { // one of them is a voltage report
				t.Errorf("%s at %s: nothing happens, harmed %v", k, part.Name, b.Harmed)
			}
		}
	}
}

// TestReach: with the cable between helm and flybridge cut, who is beyond is not received, and has power only where the feed is.
func TestReach(t *testing.T) {
	_, l := demo(t)
	for at, want := range map[string]string{
		"helm":      "compass wind sensor receiver AIS radar helm display radio sounder flybridge display engine gateway house bank start battery tanks autopilot sonar module",
		"lazarette": "compass wind sensor receiver AIS radar helm display radio sounder",
	} {
		sc, _ := demo(t)
		b, err := Break(sc, l, at, 1)
		if err != nil {
			t.Fatal(err)
		}
		for _, k := range b.find("cable", 2) {
			b.edges[k].power, b.edges[k].data = cut, cut
		}
		var away []string
		s := b.state()
		for d, x := range b.drops {
			if s.off[d] || !s.received[d] {
				away = append(away, x.Label())
			}
		}
		if got := strings.Join(away, " "); got != want {
			t.Errorf("from %s away: %s\nwant %s", at, got, want)
		}
	}
}

// TestAgainstCircuitSolver: an independent circuit solver finds the same voltages with poor contacts, and the same resistances.
func TestAgainstCircuitSolver(t *testing.T) {
	spice, err := exec.LookPath("ngspice")
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatal(err)
		}
		t.Skip("ngspice is not installed")
	}
	_, l := demo(t)
	for seed := range uint64(8) {
		rng := rand.New(rand.NewPCG(seed, 5))
		w := Wire(l)
		for i := range w.edges {
			if rng.IntN(4) == 0 {
				w.edges[i].power += .1 * rng.Float64()
				w.edges[i].data += 5 * rng.Float64()
			}
		}
		var b strings.Builder
		b.WriteString("backbone\n")
		for k, e := range w.edges {
			fmt.Fprintf(&b, "Rp%d p%d p%d %g\n", k, e.a, e.b, e.power+1e-9)
			if !math.IsInf(e.data, 1) {
				fmt.Fprintf(&b, "Rd%d d%d d%d %g\n", k, e.a, e.b, e.data+1e-9)
			}
		}
		for n := range w.draw {
			fmt.Fprintf(&b, "I%d p%d 0 DC %g\n", n, n, .7*w.draw[n])
			if v, source := w.volts[n]; source {
				fmt.Fprintf(&b, "V%d p%d 0 DC %g\n", n, n, v+.3)
			} else {
				fmt.Fprintf(&b, "Rs%d d%d 0 %g\n", n, n, 1/max(w.shunt[n], 1e-12))
			}
		}
		b.WriteString("Id 0 d1 DC 1\n.control\nop\nset numdgt=10\nprint v(d1)\n")
		for _, n := range w.devices {
			fmt.Fprintf(&b, "print v(p%d)\n", n)
		}
		b.WriteString("quit 0\n.endc\n.end\n")
		file := filepath.Join(t.TempDir(), "n.cir")
		if err := os.WriteFile(file, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(spice, "-b", file).CombinedOutput()
		if err != nil {
			t.Fatalf("ngspice: %v: %s", err, out)
		}
		read := func(name string) (v float64) {
			_, rest, ok := strings.Cut(string(out), "v("+name+") = ")
			if _, err := fmt.Sscan(rest, &v); !ok || err != nil {
				t.Fatalf("ngspice does not report %s: %s", name, out)
			}
			return v
		}
		if got, want := w.OhmAt(0, 0), read("d1"); math.Abs(got/want-1) > 1e-4 {
			t.Errorf("seed %d: %g ohm at the first point, ngspice %g", seed, got, want)
		}
		volts := w.Volts(.7, .3)
		for d, n := range w.devices {
			if want := read(fmt.Sprintf("p%d", n)); math.Abs(volts[n]-want) > 1e-3 {
				t.Errorf("seed %d: %g V at %s, ngspice %g", seed, volts[n], w.drops[d].Label(), want)
			}
		}
	}
}
