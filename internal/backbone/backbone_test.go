package backbone

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/input"
	"muster/internal/report"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func ptr[T any](v T) *T { return &v }

func wagtail(t *testing.T) *Layout {
	t.Helper()
	data, err := os.ReadFile(hosttest.Testdata(t, "layouts/wagtail.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	l, err := Parse(t.Context(), "", data)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestGolden(t *testing.T) {
	l := wagtail(t)
	a := Judge(l)
	if err := a.Against(l, live()); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetIndent("", "  ")
	if err := e.Encode(a); err != nil {
		t.Fatal(err)
	}
	file := hosttest.Testdata(t, "evidence/audit.json")
	if *update {
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Error(diff)
	}
}

// live is what answers on Wagtail's backbone: no compass, a radio that is not planned, one display with another load.
func live() *report.Report {
	device := func(id string, role boat.Role, model string, load uint8, pgns ...uint32) report.Device {
		d := report.Device{ID: id, State: boat.Present, Role: role, Product: &boat.Product{Model: model, Serial: id[14:], LoadEquivalency: ptr(load)}}
		for _, p := range pgns {
			d.Transmits = append(d.Transmits, report.Transmit{PGN: p, Title: "message", Count: 9, Nominal: 1000, Interval: &boat.Interval{Mean: 1000}, Available: ptr(true)})
		}
		return d
	}
	head := device("00000000000000A1", boat.RoleDisplay, "LF9 display", 8, 127508)
	head.Transmits[0].Volts, head.Transmits[0].VoltsAt = ptr(11.1), event.Time(0).Add(time.Hour)
	monitor := device("00000000000000A6", boat.RolePower, "Tavrik 7 battery monitor", 1, 127508, 127508)
	for i, v := range []float64{13.1, 12.0} {
		monitor.Transmits[i].Instance, monitor.Transmits[i].Volts, monitor.Transmits[i].VoltsAt = ptr(uint8(i)), &v, event.Time(0).Add(time.Hour)
	}
	slowWind := device("00000000000000A5", boat.RoleWind, "GW3 wind", 2, 130306)
	slowWind.Transmits[0].Interval.Mean = 4000
	r := &report.Report{Networks: []report.Network{{ID: "can0", Kind: event.NMEA2000, Frames: 9}}, Devices: []report.Device{
		head,
		device("00000000000000A2", boat.RoleDisplay, "LF9 display", 9, 129025),
		device("00000000000000A3", boat.RoleDepth, "SD2 sounder", 4, 128267),
		device("00000000000000A4", boat.RoleRadio, "VR1 radio", 1, 129025),
		slowWind,
		monitor,
	}}
	for i := range r.Devices {
		r.Devices[i].Network = "can0"
	}
	r.Talkers = []report.Talker{
		{Network: "ttyUSB0", Talker: "GP", Sentences: []report.Sentence{{Formatter: "RMC", Count: 9, Gives: []string{"position", "time"}}}},
		{Network: "ttyUSB0", Talker: "II", Sentences: []report.Sentence{{Formatter: "MTW", Count: 9, Gives: []string{"water temperature"}}}},
	}
	r.Complete()
	return r
}

// The worked examples of the published formula: load equivalency on the leg, metres, ohm per metre of one conductor, volts.
// Source: voltage formula of two installation manuals and of a CAN network guide; volts calculated from it.
func TestRuleOfThumbExamples(t *testing.T) {
	for _, c := range []struct{ load, metres, ohm, want float64 }{
		{20, 50, 0.053, 5.30}, {10, 100, 0.053, 5.30}, {20, 50, 0.0132, 1.32}, {20, 50, 0.0089, 0.89}, {40, 50, 0.0089, 1.78},
	} {
		if got := RuleOfThumb(c.load, Length(c.metres), c.ohm); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%g LEN %g m %g ohm/m: %g V, want %g V", c.load, c.metres, c.ohm, got, c.want)
		}
		// One leg with its whole load at the far end is the case in which the formula is exact: the nodal solution must agree.
		if cable := map[float64]string{0.053: "micro", 0.0132: "mid", 0.0089: "mini"}[c.ohm]; cable != "" {
			l := &Layout{Segments: []Segment{{"a", "b", Length(c.metres), cable}}, Tees: []Tee{{At: "b", Drops: []Drop{{At: "b", Load: c.load}}}},
				Power: []Power{{At: "a", Voltage: 12}}}
			if got := l.Solve(nil).Spread(); math.Abs(got-c.want) > 1e-9 {
				t.Errorf("%g LEN %g m %s: nodal %g V, want %g V", c.load, c.metres, cable, got, c.want)
			}
		}
	}
}

func TestTerminationReadings(t *testing.T) {
	for _, c := range []struct {
		ohm  float64
		good bool
		want string
	}{
		{0.4, false, "short"}, {30, false, "four"}, {40, false, "three"}, {60, true, "two"}, {63.5, true, "two"}, {85, false, "no clean"},
		{120, false, "one terminator"}, {5000, false, "no terminator"},
	} {
		if got := JudgeTermination(c.ohm); got.Good != c.good || !strings.HasPrefix(got.Meaning, c.want) {
			t.Errorf("%g ohm: %v %q, want %v %q…", c.ohm, got.Good, got.Meaning, c.good, c.want)
		}
	}
}

// layouts draws random backbones with one or two supplies.
func layouts(t *rapid.T) *Layout {
	l := &Layout{}
	n := rapid.IntRange(2, 12).Draw(t, "points")
	name := func(i int) string { return fmt.Sprintf("p%d", i) }
	for i := range n - 1 {
		l.Segments = append(l.Segments, Segment{name(i), name(i + 1), Length(rapid.Float64Range(.2, 30).Draw(t, "length")),
			rapid.SampledFrom([]string{"micro", "mid", "mini"}).Draw(t, "cable")})
	}
	feeds := rapid.SliceOfNDistinct(rapid.IntRange(0, n-1), 1, 2, rapid.ID).Draw(t, "feeds")
	for _, f := range feeds {
		l.Power = append(l.Power, Power{At: name(f), Voltage: Volts(rapid.Float64Range(11, 14).Draw(t, "voltage")),
			Length: Length(rapid.SampledFrom([]float64{0, 2, 5}).Draw(t, "leg")), Cable: "mid"})
	}
	for i := range n {
		tee := Tee{At: name(i)}
		for range rapid.IntRange(0, 3).Draw(t, "drops") {
			tee.Drops = append(tee.Drops, Drop{At: name(i), Length: Length(rapid.SampledFrom([]float64{0, .5, 3, 6}).Draw(t, "drop")),
				Load: float64(rapid.IntRange(1, 12).Draw(t, "load"))})
		}
		l.Tees = append(l.Tees, tee)
	}
	return l
}

// Conservation of current: what the supplies give is what the devices take, and at every point what comes in goes out.
func TestCurrentIsConserved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := layouts(t)
		s := l.Solve(nil)
		taken, given := 0.0, 0.0
		for _, o := range s.Outlets {
			taken += o.Load * AmpsPerLoad
		}
		for _, f := range s.Feeds {
			given += f.Amps
		}
		if math.Abs(taken-given) > 1e-6 {
			t.Fatalf("the supplies give %g A, the devices take %g A", given, taken)
		}
		for i, p := range s.Points {
			if p.Power {
				continue
			}
			in := -p.Load * AmpsPerLoad
			if i > 0 {
				in += s.Legs[i-1].Amps
			}
			if i < len(s.Legs) {
				in -= s.Legs[i].Amps
			}
			if math.Abs(in) > 1e-6 {
				t.Fatalf("%s: %g A vanish", p.Name, in)
			}
		}
	})
}

// need skips a test by name when a program is not installed, or fails it where nothing may skip.
func need(t *testing.T, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatalf("%s is not installed", program)
		}
		t.Skipf("%s is not installed", program)
	}
	return path
}

// ngspice, an independent circuit solver, finds the same voltages on random layouts. Each conductor is its own
// resistor there.
func TestAgainstCircuitSolver(t *testing.T) {
	spice := need(t, "ngspice")
	dir := t.TempDir()
	gen := rapid.Custom(layouts)
	for seed := range 12 {
		l := gen.Example(seed)
		s := l.Solve(nil)
		file := filepath.Join(dir, fmt.Sprintf("%d.cir", seed))
		if err := os.WriteFile(file, []byte(netlist(l)), 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(spice, "-b", file).CombinedOutput()
		if err != nil {
			t.Fatalf("ngspice: %v: %s", err, out)
		}
		for _, p := range s.Points {
			var got float64
			_, rest, ok := strings.Cut(string(out), fmt.Sprintf("v(%s)-v(%sm) = ", p.Name, p.Name))
			if _, err := fmt.Sscan(rest, &got); !ok || err != nil {
				t.Fatalf("ngspice does not tell %s: %s", p.Name, out)
			}
			if math.Abs(got-*p.Volts) > 1e-4 {
				t.Errorf("layout %d, %s: ngspice %g V, ours %g V", seed, p.Name, got, *p.Volts)
			}
		}
	}
}

// netlist writes a layout as two-conductor circuit: NAME is NET-S, NAMEm is NET-C. The first supply's negative is ground.
func netlist(l *Layout) string {
	var b strings.Builder
	b.WriteString("backbone\n")
	ohm := func(cable string, m Length) float64 { return loop(cable, m) / 2 }
	for i, s := range l.Segments {
		fmt.Fprintf(&b, "Rs%d %s %s %g\nRsm%d %sm %sm %g\n", i, s.From, s.To, ohm(s.Cable, s.Length), i, s.From, s.To, ohm(s.Cable, s.Length))
	}
	for i, d := range l.drops(nil) {
		plus, minus := d.At, d.At+"m"
		if d.Length > 0 {
			plus, minus = fmt.Sprintf("d%d", i), fmt.Sprintf("d%dm", i)
			fmt.Fprintf(&b, "Rd%d %s %s %g\nRdm%d %sm %s %g\n", i, d.At, plus, ohm(d.Cable, d.Length), i, d.At, minus, ohm(d.Cable, d.Length))
		}
		fmt.Fprintf(&b, "I%d %s %s DC %g\n", i, plus, minus, d.Load*AmpsPerLoad)
	}
	for i, p := range l.Power {
		plus, minus := p.At, p.At+"m"
		if p.Length > 0 {
			plus, minus = fmt.Sprintf("f%d", i), fmt.Sprintf("f%dm", i)
			fmt.Fprintf(&b, "Rf%d %s %s %g\nRfm%d %s %sm %g\n", i, plus, p.At, ohm(p.Cable, p.Length), i, minus, p.At, ohm(p.Cable, p.Length))
		}
		fmt.Fprintf(&b, "V%d %s %s DC %g\n", i, plus, minus, float64(p.Voltage))
		if i == 0 {
			fmt.Fprintf(&b, "Vground %s 0 DC 0\n", minus)
		}
	}
	b.WriteString(".control\nop\nset numdgt=10\n")
	for _, p := range l.line() {
		fmt.Fprintf(&b, "print v(%s)-v(%sm)\n", p, p)
	}
	b.WriteString("quit 0\n.endc\n.end\n")
	return b.String()
}

func TestBestFeed(t *testing.T) {
	l := &Layout{Segments: []Segment{{"a", "b", 20, "micro"}, {"b", "c", 20, "micro"}, {"c", "d", 20, "micro"}},
		Tees:  []Tee{{At: "c", Drops: []Drop{{At: "c", Load: 10}}}, {At: "d", Drops: []Drop{{At: "d", Load: 4}}}},
		Power: []Power{{At: "a", Voltage: 12}}}
	if b := Judge(l).BestFeed; b == nil || b.At != "c" && b.At != "d" || b.Lowest <= b.Now {
		t.Errorf("best feed %+v, want it at the load", b)
	}
}

func TestIsolatedSupplies(t *testing.T) {
	l := &Layout{Segments: []Segment{{"a", "b", 10, "micro"}, {"b", "c", 10, "micro"}},
		Tees:  []Tee{{At: "b", Isolates: true, Drops: []Drop{{At: "b", Device: "head", Load: 10}}}, {At: "c", Drops: []Drop{{At: "c", Device: "radar", Load: 10}}}},
		Power: []Power{{At: "a", Voltage: 12}}}
	a := Judge(l)
	if o := a.Solution.Outlets[1]; o.Volts != nil {
		t.Errorf("radar gets %g V through an isolating tee", *o.Volts)
	}
	if !strings.Contains(fmt.Sprint(a.Findings), "No network power reaches radar") {
		t.Errorf("findings %v", a.Findings)
	}
	l.Power = append(l.Power, Power{At: "c", Voltage: 13})
	if o := l.Solve(nil).Outlets[1]; o.Volts == nil || *o.Volts != 13 {
		t.Errorf("radar %v, want 13 V from its own supply", o.Volts)
	}
}

func TestEveryCheckFires(t *testing.T) {
	bad := &Layout{Segments: []Segment{{"a", "b", 60, "micro"}, {"b", "c", 60, "micro"}},
		Tees:        []Tee{{At: "c", Drops: []Drop{{At: "c", Length: 9, Device: "plotter", Load: 30}}}},
		Terminators: []string{"a"}, Power: []Power{{At: "a", Voltage: 12, Fuse: 10}}}
	good := &Layout{Segments: []Segment{{"a", "b", 6, "micro"}, {"b", "c", 6, "micro"}},
		Tees:        []Tee{{At: "b", Drops: []Drop{{At: "b", Length: 2, Device: "plotter", Load: 8}}}},
		Terminators: []string{"a", "c"}, Power: []Power{{At: "b", Voltage: 12, Fuse: 3}}}
	if f := Judge(good).Findings; len(f) > 0 {
		t.Errorf("a sound backbone has findings: %+v", f)
	}
	found := map[string]bool{}
	for _, f := range Judge(bad).Findings {
		found[f.Check] = true
	}
	for _, id := range []string{"backbone-too-long", "drop-cable-too-long", "load-too-high", "terminator", "voltage-drop"} {
		if !found[id] {
			t.Errorf("%s did not fire", id)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	const sound = "segments:\n  - {from: a, to: b, length: 1 m, cable: micro}\npower:\n  - {at: a, voltage: 12}\n"
	for _, c := range []struct{ name, in, want string }{
		{"typo", strings.Replace(sound, "power", "pwoer", 1), `line 3, column 1: unknown key "pwoer"`},
		{"no unit", strings.Replace(sound, "1 m", "1", 1), `write "1 m" or "1 ft"`},
		{"negative", strings.Replace(sound, "1 m", "-1 m", 1), "segment 1 (a to b): length -1 m is not between 0 and 500 m"},
		{"absurd", strings.Replace(sound, "1 m", "9000 ft", 1), "is not between 0 and 500 m"},
		{"unknown cable", strings.Replace(sound, "micro", "garden hose", 1), `segment 1 (a to b): unknown cable "garden hose": use micro, mid, mini`},
		{"no power", strings.Split(sound, "power")[0], "power: no point feeds the backbone"},
		{"power nowhere", strings.Replace(sound, "at: a", "at: z", 1), `power: no segment begins or ends at "z"`},
		{"three at one end", strings.Replace(sound, "power", "  - {from: b, to: c, length: 1 m, cable: micro}\n  - {from: b, to: d, length: 1 m, cable: micro}\npower", 1),
			"b: segments [1 2 3] meet there"},
		{"loop", strings.Replace(sound, "power", "  - {from: b, to: c, length: 1 m, cable: micro}\n  - {from: c, to: a, length: 1 m, cable: micro}\npower", 1),
			"segment 1 (a to b): the segments form a loop"},
		{"apart", strings.Replace(sound, "power", "  - {from: c, to: d, length: 1 m, cable: micro}\npower", 1), "segment 2 (c to d): it is not connected with a"},
		{"place", strings.Replace(sound, "1 m", "600 m", 1), "line 2, column 30: segment 1 (a to b): length 600 m"},
		{"block style", "segments:\n  - from: a\n    to: b\n    length: 1 m\n    cable: rope\n", "line 5, column 12: segment 1 (a to b): unknown cable"},
		{"two documents", sound + "---\nboat: b\n", "a second document starts here"},
		{"role", sound + "tees:\n  - {at: a, drops: [{role: hed, load: 1}]}\n", `tee a: unknown role "hed": use display, `},
		{"NAME", sound + "tees:\n  - {at: a, drops: [{name: A1, load: 1}]}\n", `tee a: name "A1" is no NAME`},
		{"load that is no number", sound + "tees:\n  - {at: a, drops: [{load: .nan}]}\n", "load equivalency NaN is not between"},
		{"ports", sound + "tees:\n  - {at: a, ports: -1, drops: [{load: 1}, {load: 1}]}\n", "tee a: -1 ports cannot be"},
		{"control character", strings.ReplaceAll(sound, "a,", "\"a\\e[31m\","), "holds a control character"},
		{"long name", strings.ReplaceAll(sound, "a,", strings.Repeat("a", 61)+","), "a name is longer than 60 characters"},
		{"fed twice", sound + "  - {at: a, voltage: 13}\n", "power at a: given twice"},
		{"absurd fuse", strings.Replace(sound, "12", "12, fuse: inf A", 1), "power at a: a fuse of +Inf A is none"},
		{"absurd reading", sound + "readings: {resistance: -4 ohm}\n", "readings: a resistance of -4 ohm cannot be"},
		{"unknown quantity", sound + "coverage: [{quantity: dept}]\n", `coverage: unknown quantity "dept": use position, `},
		{"unknown source", sound + "coverage: [{quantity: depth, from: sounder}]\n", `coverage of depth: no drop cable has the device or model "sounder"; a talker is written with its line, as in ttyUSB0/GP`},
		{"no segments", "power:\n  - {at: a, voltage: 12}\n", "segments: there are none"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Parse(t.Context(), "", []byte(c.in))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v\nwant it to say %q", err, c.want)
			}
		})
	}
}

func TestTooMuch(t *testing.T) {
	var many strings.Builder
	many.WriteString("power: [{at: p0, voltage: 12}]\nsegments:\n")
	for i := range maxSegments + 1 {
		fmt.Fprintf(&many, "  - {from: p%d, to: p%d, length: 1 m, cable: mini}\n", i, i+1)
	}
	if _, err := Parse(t.Context(), "", []byte(many.String())); err == nil || !strings.Contains(err.Error(), "151 are more than any backbone has") {
		t.Error(err)
	}
	if _, err := Parse(t.Context(), "", bytes.Repeat([]byte("#\n"), input.MaxYAML)); err == nil || !strings.Contains(err.Error(), "it has more than 524288 bytes") {
		t.Error(err)
	}
}

func TestLoad(t *testing.T) {
	file := filepath.Join(t.TempDir(), "boat.yaml")
	if _, err := Load(t.Context(), file); err == nil || !strings.Contains(err.Error(), "no such file") {
		t.Error(err)
	}
	if err := os.WriteFile(file, []byte("segments:\n  - {from: a, to: b, length: 1 m, cable: rope}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Load(t.Context(), file)
	want := file + `:2:42: segment 1 (a to b): unknown cable "rope": use micro, mid, mini` + "\n" + file +
		": power: no point feeds the backbone: give at and voltage"
	if err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
}

func TestSchema(t *testing.T) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("layout.json", doc); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("layout.json")
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(hosttest.Testdata(t, "layouts/wagtail.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var v any
	if err := yaml.Unmarshal(data, &v); err != nil {
		t.Fatal(err)
	}
	if err := schema.Validate(v); err != nil {
		t.Error(err)
	}
	v.(map[string]any)["colour"] = "red"
	if err := schema.Validate(v); err == nil {
		t.Error("the schema takes an unknown key")
	}
}

func FuzzParse(f *testing.F) {
	data, err := os.ReadFile(hosttest.Testdata(f, "layouts/wagtail.yaml"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte("segments:\n  - {from: a, to: b, length: 1 m, cable: micro}\npower:\n  - {at: a, voltage: 12}\n"))
	f.Fuzz(func(t *testing.T, in []byte) {
		l, err := Parse(t.Context(), "", in)
		if err != nil || len(l.Segments) > 40 {
			return
		}
		if Judge(l).Solution == nil {
			t.Error("no solution")
		}
	})
}

func BenchmarkJudge(b *testing.B) {
	for _, n := range []int{10, 50} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			l := &Layout{Power: []Power{{At: "p0", Voltage: 12}}}
			for i := range n {
				at := fmt.Sprintf("p%d", i)
				l.Segments = append(l.Segments, Segment{at, fmt.Sprintf("p%d", i+1), 2, "micro"})
				l.Tees = append(l.Tees, Tee{At: at, Drops: []Drop{{At: at, Length: 1, Load: 2}}})
			}
			b.ReportAllocs()
			for b.Loop() {
				Judge(l)
			}
		})
	}
}

// TestMeasuredOnTheBus: what devices report of the supply is compared with the plan, each at the place that the layout gives it.
func TestMeasuredOnTheBus(t *testing.T) {
	for _, c := range []struct {
		name        string
		head, power float64 // volt that the display and the battery monitor report
		want        []string
	}{
		{"as planned", 11.75, 12.6, nil},
		{"battery low, drop as computed", 11.15, 12.0, []string{"engine room Tavrik 7 battery monitor (A6)"}},
		{"bad contact on the way to the head", 10.2, 12.6, []string{"helm LF9 display (A1)"}},
		{"battery nearly empty", 9.3, 10.0, []string{"engine room Tavrik 7 battery monitor (A6)", "mast foot wind now"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, r := wagtail(t), live()
			*r.Devices[0].Transmits[0].Volts, *r.Devices[5].Transmits[1].Volts = c.head, c.power
			a := Judge(l)
			if err := a.Against(l, r); err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, f := range a.Findings {
				if f.Check == "voltage-drop" {
					got = append(got, f.Subject)
				}
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestMeasuresBadPlace(t *testing.T) {
	text, err := os.ReadFile(hosttest.Testdata(t, "layouts/wagtail.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	_, err = Parse(t.Context(), "", bytes.Replace(text, []byte("measures: engine room"), []byte("measures: bow"), 1))
	if want := `line 20, column 92: tee engine room, monitor: measures "bow": no power comes in there: name a point under power, or "drop" for the device's own connection`; err == nil || err.Error() != want {
		t.Errorf("got %v\nwant %s", err, want)
	}
}
