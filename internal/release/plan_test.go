package release

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"gonum.org/v1/gonum/graph/path"
	"gonum.org/v1/gonum/graph/simple"
	"gonum.org/v1/gonum/graph/topo"
	"pgregory.net/rapid"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/report"
	"muster/pgn"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// start is when the snapshot of the tests was taken.
var start = event.At(time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC))

func ptr[T any](v T) *T { return &v }

// device makes a present device; unique number and address follow from n.
func device(n int, manufacturer uint16, role boat.Role, model, serial, software string) boat.Device {
	name := pgn.NameFields{UniqueNumber: uint32(1000 + n), Manufacturer: manufacturer, DeviceClass: 60, DeviceFunction: 130, IndustryGroup: 4, ArbitraryAddress: true}
	return boat.Device{ID: name.NAME().String(), Network: "can0", Address: ptr(uint8(10 + n)), State: boat.Present, Role: role,
		Name: &boat.Name{UniqueNumber: name.UniqueNumber, Manufacturer: boat.Coded{Code: uint32(manufacturer)}, DeviceClass: boat.Coded{Code: 60},
			DeviceFunction: boat.Coded{Code: 130}, IndustryGroup: boat.Coded{Code: 4}, ArbitraryAddress: true},
		Product:  &boat.Product{Code: ptr(uint16(40 + n)), Model: model, Serial: serial, Software: software},
		LastSeen: start, FirstSeen: start.Add(-time.Minute)}
}

// shown is the device as a report of a running model has it.
func shown(d boat.Device) report.Device {
	return report.New(&boat.State{Devices: []boat.Device{d}}, nil).Devices[0]
}

// sample is a boat with something of everything.
func sample() *report.Report { return report.New(sampled(), nil) }

// sampled is its state.
func sampled() *boat.State {
	r := &boat.State{Boat: boat.Identity{ID: "kittiwake", Name: "Kittiwake"}, TakenAt: start, Clock: boat.ClockSystem,
		Window: boat.Window{From: start.Add(-5 * time.Minute), To: start}}
	r.Devices = []boat.Device{
		device(1, 2001, boat.RoleDisplay, "Larkfin LF9 display", "L9-0001", "LF9 4.47\xff\xff"),
		device(2, 2001, boat.RoleDisplay, "Larkfin LF9 display", "L9-0002", "LF9 4.50"),
		device(3, 2001, boat.RoleDisplay, "Larkfin LF12 display", "L12-0001", "LF12 4.40"),
		device(4, 2001, boat.RoleSonar, "Larkfin Olbo 30 sonar", "S3-0001", "2.9.0"),
		device(5, 2001, boat.RoleSonar, "Larkfin Pemmo 4 transducer", "T1-0001", "1.3"),
		device(6, 2003, boat.RolePower, "Sanderling Tavrik 7 monitor", "B-77", "Tavrik 7 fw 20250301"),
		device(7, 2002, boat.RoleWind, "Gannet W1 vane", "W-1", "3"),
		device(8, 2040, boat.RoleTool, "muster", "0", "1.0"),
	}
	r.Devices[0].Installation = &boat.Installation{Description1: "Helm"}
	r.Devices[4].State = boat.Silent
	r.Devices[7].Own = true
	r.Manual = []boat.Manual{{ID: "manual-1", Role: boat.RoleDepth, Manufacturer: "Gannet Instruments", Model: "Gannet SD2 sounder", Software: "B2",
		Place: "chart table", By: "Ines", At: start.Add(-time.Hour)}}
	r.FindUnits(nil, 0)
	return r
}

func fullConditions() Conditions {
	return Conditions{SupplyVolts: ptr(13.1), SupplyTrend: ptr(0.0), EngineRPM: ptr(0.0), SpeedMS: ptr(0.1), InWater: ptr(false)}
}

func planned(t testing.TB) *Order {
	t.Helper()
	o, _ := Plan(sample(), "sha256:0123", "", examples(t), Options{Made: start.Add(time.Minute), Conditions: fullConditions()})
	return o
}

func golden(t *testing.T, path string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Errorf("%s differs; run with -update and look at the change:\n%s", path, d)
	}
}

func TestOrderGolden(t *testing.T) {
	o := planned(t)
	j, err := o.JSON()
	if err != nil {
		t.Fatal(err)
	}
	golden(t, hosttest.Testdata(t, "evidence/order.json"), j)

	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(j))
	if err != nil {
		t.Fatal(err)
	}
	if err := compileSchema(t, OrderSchema).Validate(doc); err != nil {
		t.Error(err)
	}

	again, err := ParseOrder(t.Context(), j)
	if err != nil {
		t.Fatal(err)
	}
	if again.Digest() != o.Digest() {
		t.Error("reading an order changes it")
	}
}

// steps writes an order as "1.1 label From>To".
func steps(o *Order) []string {
	out := []string{}
	for _, s := range o.Steps() {
		out = append(out, fmt.Sprintf("%s %s %s>%s", s.ID, s.Device.Label, s.From, s.To))
	}
	return out
}

func TestPlanOrder(t *testing.T) {
	o := planned(t)
	want := []string{
		"1.1 Larkfin LF12 display (L12-0001) 4.40>4.50",
		"1.2 Larkfin LF9 display (L9-0001) 4.47>4.50",
		"1.3 Gannet SD2 sounder (manual-1) B2>D",
		"1.4 Sanderling Tavrik 7 monitor (B-77) 20250301>20260115",
		"2.1 Larkfin Olbo 30 sonar (S3-0001) 2.9.0>2.10.1",
	}
	if d := cmp.Diff(want, steps(o)); d != "" {
		t.Error(d)
	}
	if o.Minutes != 26 || o.MinutesAlone != 48 {
		t.Errorf("%d and %d minutes", o.Minutes, o.MinutesAlone)
	}
	if len(o.NotReachable) != 1 || o.NotReachable[0].Device.Model != "Larkfin Pemmo 4 transducer" || len(o.NoUpdate) != 1 {
		t.Errorf("not reachable %v, left alone %v", o.NotReachable, o.NoUpdate)
	}
	if b := o.Bring[0]; b.Count != 2 || b.Medium.Kind != "microSD card" || !slices.Equal(b.Files, []string{"LF-4.50.lfw"}) {
		t.Errorf("bring %+v", o.Bring)
	}
	one, _ := Plan(sample(), "", "", examples(t), Options{SideBySide: 1, Conditions: fullConditions()})
	if len(one.Groups) != 5 || one.Minutes != one.MinutesAlone || one.Bring[0].Count != 1 {
		t.Errorf("one by one: %d groups, %d minutes, %+v", len(one.Groups), one.Minutes, one.Bring)
	}
	if got := steps(one); !strings.Contains(got[0]+got[1], "LF12") || !strings.Contains(got[3], "Olbo 30") {
		t.Errorf("one by one: %v", got)
	}
}

// model writes a sheet's entry for models without a manufacturer.
func model(name, current, rest string) string {
	return fmt.Sprintf("  - name: %s\n    match: {model: %s}\n    numbering: {scheme: dotted}\n    releases: [{version: 1.0}, {version: %q}]\n    medium: {kind: microSD card}\n    minutes: 10\n%s",
		name, name, current, rest)
}

func sheets(t testing.TB, models ...string) *Sheets {
	t.Helper()
	s, err := Load(t.Context(), SheetFile{"s.yaml", []byte("schema: muster.sheet/v1\nmodels:\n" + strings.Join(models, ""))})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func aboard(models ...string) *report.Report { return report.New(stateOf(models...), nil) }

func stateOf(models ...string) *boat.State {
	r := &boat.State{Boat: boat.Identity{ID: "b"}, TakenAt: start}
	for i, m := range models {
		name, version, _ := strings.Cut(m, " ")
		r.Devices = append(r.Devices, device(i, 2001, boat.RoleOther, name, "", version))
	}
	r.FindUnits(nil, 0)
	return r
}

func needs(name, version string) string {
	return fmt.Sprintf("    needs: [{model: %s, at_least: %q}]\n", name, version)
}

func TestPlanProblems(t *testing.T) {
	for _, tt := range []struct {
		name   string
		sheets []string
		aboard []string
		steps  []string
		codes  []Code
		text   string // part of the first problem
	}{
		{"unknown model", []string{model("A", "2.0", "")}, []string{"A 1.0", "X 1.0"},
			[]string{"A 1.0>2.0"}, []Code{UnknownModel}, "X at address 11 is described by no sheet"},
		{"need that nothing meets", []string{model("A", "2.0", needs("B", "1.5")), model("B", "1.2", ""), model("C", "2.0", "")}, []string{"A 1.0", "B 1.2", "C 1.0"},
			[]string{"C 1.0>2.0"}, []Code{UnmetNeed}, "A at address 10 needs for 2.0 that B is at least 1.5, but B at address 11 runs 1.2 and is not going to be updated (s.yaml:9:34)"},
		{"need of what is not aboard", []string{model("A", "2.0", needs("B", "1.5")), model("B", "2.0", ""), model("C", "2.0", "")}, []string{"A 1.0", "C 1.0"},
			[]string{"C 1.0>2.0"}, []Code{UnmetNeed}, "no such device is on the boat"},
		{"need of one kept back", []string{model("A", "2.0", needs("B", "2.0")), model("B", "2.0", needs("D", "1")), model("D", "1.0", ""), model("C", "2.0", "")}[:2], []string{"A 1.0", "B 1.0"},
			nil, []Code{UnmetNeed, UnmetNeed, NeedsOther}, "no sheet describes"},
		{"cycle", []string{model("A", "2.0", needs("B", "2.0")), model("B", "2.0", needs("C", "2.0")), model("C", "2.0", needs("A", "2.0")), model("D", "2.0", needs("A", "2.0")), model("E", "2.0", "")},
			[]string{"A 1.0", "B 1.0", "C 1.0", "D 1.0", "E 1.0"}, []string{"E 1.0>2.0"}, []Code{Cycle, Cycle, Cycle, NeedsOther},
			"waits in a circle: A at address 10 before C at address 12 before B at address 11 before A at address 10"},
		{"empty version", []string{model("A", "2.0", ""), model("B", "2.0", "")}, []string{"A ", "B 1.0"},
			[]string{"B 1.0>2.0"}, []Code{EmptyVersion}, "A at address 10 has not reported its software version (s.yaml:3:11)"},
		{"unlisted version", []string{model("A", "2.0", "")}, []string{"A 1.7"},
			[]string{"A 1.7>2.0"}, []Code{UnlistedNumber}, "runs 1.7, which no release in its sheet lists"},
		{"version in no order", []string{model("A", "2.0", ""), model("B", "2.0", "")}, []string{"A b7", "B 1.0"},
			[]string{"B 1.0>2.0"}, []Code{UnlistedOrder}, "has a version in no known order"},
		{"version of another form", []string{model("A", "2.0", ""), model("B", "2.0", "")}, []string{"A 1_0", "B 1.0"},
			[]string{"B 1.0>2.0"}, []Code{UnlistedOrder}, `"1_0" is not dotted`},
		{"newer than the sheet", []string{model("A", "2.0", "")}, []string{"A 3.0"},
			[]string{}, []Code{UnlistedNumber}, ""},
		{"two sheets fit", []string{model("A", "2.0", ""), strings.Replace(model("A2", "2.0", ""), "{model: A2}", "{model: A, manufacturer_code: 2001}", 1), model("B", "2.0", "")}, []string{"A 1.0", "B 1.0"},
			[]string{"B 1.0>2.0"}, []Code{Contradiction}, `A at address 10 fits "A" and "A2" alike (s.yaml:3:11, s.yaml:9:11)`},
		{"one model goes before many", []string{model("A", "2.0", ""), strings.Replace(model("any", "9.0", ""), "{model: any}", `{model: "A*"}`, 1)}, []string{"A 1.0"},
			[]string{"A 1.0>2.0"}, nil, ""},
		{"family split", []string{model("A", "2.0", "    family: f\n"), model("B", "2.0", "    family: f\n"+needs("C", "3"))}, []string{"A 1.0", "B 1.0"},
			[]string{"A 1.0>2.0"}, []Code{UnmetNeed, UnmetNeed, FamilySplit}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			o, problems := Plan(aboard(tt.aboard...), "", "", sheets(t, tt.sheets...), Options{})
			got := []string{}
			for _, s := range o.Steps() {
				got = append(got, fmt.Sprintf("%s %s>%s", s.Device.Model, s.From, s.To))
			}
			if d := cmp.Diff(append([]string{}, tt.steps...), got); d != "" {
				t.Errorf("steps: %s", d)
			}
			var codes []Code
			text := ""
			for _, p := range problems {
				codes = append(codes, p.Code)
				text += p.String() + "\n"
				if p.Remedy == "" {
					t.Errorf("%v has no remedy", p)
				}
			}
			if d := cmp.Diff(tt.codes, codes); d != "" || !strings.Contains(text, tt.text) {
				t.Errorf("problems: %s%s", d, text)
			}
		})
	}
}

func TestPlanWithdrawn(t *testing.T) {
	s := sheets(t, strings.Replace(model("A", "2.0", ""), `{version: "2.0"}`, `{version: 2.0}, {version: 2.1, withdrawn: loses routes}`, 1))
	o, problems := Plan(aboard("A 2.1"), "", "", s, Options{})
	if len(o.Steps()) != 0 || len(problems) != 1 || problems[0].Code != WithdrawnAhead {
		t.Errorf("%v %v", steps(o), problems)
	}
}

func TestPlanPresence(t *testing.T) {
	s := examples(t)
	r := sample()
	r.Devices[0].State = boat.Gone
	findUnits(r)
	o, _ := Plan(r, "", "", s, Options{Conditions: fullConditions()})
	if len(o.Deferred) != 1 || o.Deferred[0].Device.Model != "Larkfin LF9 display" {
		t.Errorf("kept back %+v", o.Deferred)
	}
	// A device of an earlier report that is not in this one.
	r = sample()
	earlier := sample()
	r.Devices = slices.Delete(r.Devices, 4, 5)
	o, _ = Plan(r, "", "", s, Options{Earlier: earlier, Conditions: fullConditions()})
	if len(o.NotReachable) != 1 {
		t.Errorf("not reachable %+v", o.NotReachable)
	}
	// In the water it should answer: silent is then a fault.
	c := fullConditions()
	c.InWater = ptr(true)
	o, problems := Plan(sample(), "", "", s, Options{Conditions: c})
	if len(o.NotReachable) != 0 || !slices.ContainsFunc(problems, func(p Problem) bool { return p.Code == NotPresent }) {
		t.Errorf("afloat: %+v %v", o.NotReachable, problems)
	}
	if o, _ := Plan(sample(), "", "turnstone", s, Options{}); o.Boat.ID != "turnstone" {
		t.Errorf("boat id %q", o.Boat.ID)
	}
}

func TestPreChecks(t *testing.T) {
	o := planned(t)
	results := func(r *report.Report, c Conditions) map[string]Result {
		m := map[string]Result{}
		for _, p := range o.Check(r, c) {
			m[p.ID] = p.Result
			if p.Text == "" {
				t.Errorf("%s says nothing", p.ID)
			}
		}
		return m
	}
	good := map[string]Result{"supply": Passed, "supply-trend": Passed, "engines-stopped": Passed, "not-moving": Passed, "devices-present": Passed, "no-critical-alert": Passed}
	if d := cmp.Diff(good, results(sample(), fullConditions())); d != "" {
		t.Error(d)
	}
	unknown := map[string]Result{"supply": Unknown, "supply-trend": Unknown, "engines-stopped": Unknown, "not-moving": Unknown, "devices-present": Passed, "no-critical-alert": Passed}
	if d := cmp.Diff(unknown, results(sample(), Conditions{})); d != "" {
		t.Error(d)
	}
	r := sample()
	r.Devices[0].State = boat.Silent
	findUnits(r)
	r.Alerts = []alert.Alert{{Check: "bus-off", Severity: check.Critical, State: alert.StatusOpen, Summary: "off"}, {Check: "x", Severity: check.Critical, State: alert.StatusCleared}}
	bad := map[string]Result{"supply": Failed, "supply-trend": Failed, "engines-stopped": Failed, "not-moving": Failed, "devices-present": Failed, "no-critical-alert": Failed}
	if d := cmp.Diff(bad, results(r, Conditions{SupplyVolts: ptr(11.9), SupplyTrend: ptr(-1.0), EngineRPM: ptr(600.0), SpeedMS: ptr(2.0)})); d != "" {
		t.Error(d)
	}
}

// TestCheckNow: what is received now goes before the snapshot, with its values and since when; what is not received
// is not passed.
func TestCheckNow(t *testing.T) {
	later := start.Add(time.Hour)
	since := start.Add(55 * time.Minute)
	heard := Conditions{SupplyVolts: ptr(12.8), EngineRPM: ptr(0.0), SupplySince: since, EngineSince: since}
	texts := func(change func(*report.Report), c Conditions) map[string]string {
		t.Helper()
		o, r := planned(t), sample()
		r.TakenAt = later
		change(r)
		findUnits(r)
		if err := o.CheckNow(r, c, "can0"); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(&Checked{At: later, On: "can0"}, o.Checked); d != "" {
			t.Error(d)
		}
		text, err := o.JSON()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := ParseOrder(t.Context(), text); err != nil {
			t.Error(err)
		}
		if err := validateYAML(t, compileSchema(t, OrderSchema), text); err != nil {
			t.Error(err)
		}
		m := map[string]string{}
		for _, p := range o.PreChecks {
			m[p.ID] = string(p.Result) + ": " + p.Text
		}
		return m
	}
	if d := cmp.Diff(map[string]string{
		"supply":            "passed: battery voltage is 12.8 V (minimum 12.0 V), received since 08:55:00 UTC",
		"supply-trend":      "unknown: trend of the battery voltage is unknown, because it takes 10 minutes: check that shore power or a charger is on",
		"engines-stopped":   "passed: engines are stopped (0/min), received since 08:55:00 UTC",
		"not-moving":        "unknown: speed over ground is not known: see that the boat is moored",
		"devices-present":   "passed: every device of the order is on the network, all of them since 07:59:00 UTC",
		"no-critical-alert": "passed: no critical alert since 07:55:00 UTC",
		"as-in-snapshot":    "passed: every device runs the version that it ran in the snapshot",
	}, texts(func(*report.Report) {}, heard)); d != "" {
		t.Error(d)
	}
	m := texts(func(r *report.Report) { r.Devices, r.Manual, r.Window = nil, nil, boat.Window{} }, Conditions{})
	for id, text := range m {
		if !strings.HasPrefix(text, "unknown: ") {
			t.Errorf("nothing heard: %s %s", id, text)
		}
	}
	m = texts(func(r *report.Report) { r.Devices[0].Product.Software = "LF9 4.60" }, heard)
	if want := "failed: Larkfin LF9 display (L9-0001) runs LF9 4.60, not 4.47: take a new snapshot and make the order again"; m["as-in-snapshot"] != want {
		t.Errorf("another version: %q", m["as-in-snapshot"])
	}
	m = texts(func(r *report.Report) { r.Devices[0].Product = nil }, heard)
	if !strings.HasPrefix(m["as-in-snapshot"], "unknown: no version was reported by ") {
		t.Errorf("no version: %q", m["as-in-snapshot"])
	}
	m = texts(func(r *report.Report) {
		r.Alerts = []alert.Alert{{Check: "bus-off", Severity: check.Critical, State: alert.StatusOpen, Summary: "off", Since: since}}
	}, heard)
	if want := "failed: critical: bus-off: off, since 08:55:00 UTC"; m["no-critical-alert"] != want {
		t.Errorf("alert: %q", m["no-critical-alert"])
	}
	other := sample()
	other.Boat.ID = "turnstone"
	if err := planned(t).CheckNow(other, heard, "can0"); !errors.Is(err, ErrOtherBoat) {
		t.Errorf("another boat: %v", err)
	}
}

func TestPlanIsStable(t *testing.T) {
	a, b := planned(t), planned(t)
	if a.Digest() != b.Digest() {
		t.Error("two plans of one report differ")
	}
}

// A general-purpose graph library finds whether there is a cycle, which nodes are in one, and that our layers are a
// topological order.
func TestGraphAgainstGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "nodes")
		most := rapid.IntRange(0, 3).Draw(t, "most")
		g := newGraph(n)
		judge := simple.NewDirectedGraph()
		for i := range n {
			judge.AddNode(simple.Node(i))
		}
		for range rapid.IntRange(0, 2*n).Draw(t, "edges") {
			a, b := rapid.IntRange(0, n-1).Draw(t, "from"), rapid.IntRange(0, n-1).Draw(t, "to")
			if a == b {
				continue
			}
			g.add(b, []edge{{from: a}}, nil)
			judge.SetEdge(simple.Edge{F: simple.Node(a), T: simple.Node(b)})
		}
		place := make([]int, n)
		count := 0
		layers, rest := g.layers(most)
		for k, l := range layers {
			if most > 0 && len(l) > most {
				t.Fatalf("layer %v has more than %d", l, most)
			}
			for _, i := range l {
				place[i] = k + 1
				count++
			}
		}
		_, err := topo.Sort(judge)
		if (err == nil) != (count == n) || count+len(rest) != n {
			t.Fatalf("%d of %d sorted, %v not, the judge says %v", count, n, rest, err)
		}
		for to, edges := range g.before {
			for _, e := range edges {
				if place[to] != 0 && (place[e.from] == 0 || place[e.from] >= place[to]) {
					t.Fatalf("%d stands in layer %d, before %d in %d", to, place[to], e.from, place[e.from])
				}
			}
		}
		var want [][]int // knots, each by number
		for _, c := range topo.TarjanSCC(judge) {
			if len(c) > 1 {
				var nodes []int
				for _, node := range c {
					nodes = append(nodes, int(node.ID()))
				}
				slices.Sort(nodes)
				want = append(want, nodes)
			}
		}
		slices.SortFunc(want, slices.Compare)
		var got [][]int
		for _, k := range g.knots(rest) {
			got = append(got, k.nodes)
			for at, i := range k.cycle {
				if k.cycle[0] != k.nodes[0] || !judge.HasEdgeFromTo(int64(i), int64(k.cycle[(at+1)%len(k.cycle)])) {
					t.Fatalf("%v is no cycle from %d", k.cycle, k.nodes[0])
				}
			}
			if _, length := path.DijkstraFrom(simple.Node(k.cycle[1]), judge).To(int64(k.cycle[0])); int(length) != len(k.cycle)-1 {
				t.Fatalf("%v is not the shortest way round", k.cycle)
			}
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatal(d)
		}
		for a := range n {
			for b, reached := range reach(a, g.after) {
				if reached != topo.PathExistsIn(judge, simple.Node(a), simple.Node(b)) {
					t.Fatalf("path from %d to %d", a, b)
				}
			}
		}
	})
}

// TestOldOrder: an order of an earlier version is followed on with the progress saved there, and keeps its text.
func TestOldOrder(t *testing.T) {
	text, err := os.ReadFile("../../testdata/evidence/order.json")
	if err != nil {
		t.Fatal(err)
	}
	want, err := ParseOrder(t.Context(), text)
	if err != nil {
		t.Fatal(err)
	}
	old := strings.NewReplacer(`"no_update_needed":`, `"left_alone":`, `"deferred":`, `"kept_back":`, `"hold_point":`, `"hold":`,
		`"role": "display"`, `"role": "`+"head"+`"`).Replace(string(text))
	got, err := ParseOrder(t.Context(), []byte(old))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got, cmpopts.IgnoreUnexported(Order{}, Unit{})); diff != "" {
		t.Error(diff)
	}
	if again, err := got.JSON(); err != nil || string(again) != old {
		t.Errorf("written again: %s, %v", again, err)
	}
	if sum := sha256.Sum256([]byte(old)); got.Digest() != "sha256:"+hex.EncodeToString(sum[:]) {
		t.Errorf("digest %s", got.Digest())
	}
}

func TestParseOrderRefuses(t *testing.T) {
	j, err := planned(t).JSON()
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ name, old, new, want string }{
		{"schema", "order/v1", "order/v2", `schema is "muster.order/v2"`},
		{"unknown key", `"minutes":`, `"hours":`, `unknown key "hours"`},
		{"cut short", `"finish"`, ``, "read work order"},
		{"twice", `"id": "1.2"`, `"id": "1.1"`, "is listed twice"},
		{"numbering", `"scheme": "decimal"`, `"scheme": "roman"`, "not known"},
		{"time", `"back_within_minutes": 36`, `"back_within_minutes": -1`, "back_within_minutes is -1"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			bad := strings.Replace(string(j), tt.old, tt.new, 1)
			if bad == string(j) {
				t.Fatal("nothing was changed")
			}
			if _, err := ParseOrder(t.Context(), []byte(bad)); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
		})
	}
	if _, err := ParseOrder(t.Context(), append(j, "{}"...)); err == nil {
		t.Error("something after the end was accepted")
	}
}

func FuzzParseOrder(f *testing.F) {
	j, err := planned(f).JSON()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(j)
	f.Add([]byte("{}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		o, err := ParseOrder(t.Context(), data)
		if err != nil {
			return
		}
		if _, err := json.Marshal(o); err != nil {
			return
		}
		r := sample()
		r.Boat.ID = o.Boat.ID
		fo, err := NewFollower(o, r)
		if err == nil {
			fo.Observe(start.Add(time.Hour), r, Conditions{})
		}
	})
}

func BenchmarkPlan(b *testing.B) {
	s := examples(b)
	for _, n := range []int{1, 10, 50, 252} {
		r := sample()
		r.Devices = r.Devices[:0]
		for i := range n {
			kind := []string{"Larkfin LF9 display", "Larkfin Olbo 30 sonar"}[i%2]
			r.Devices = append(r.Devices, shown(device(i, 2001, boat.RoleOther, kind, fmt.Sprint(i), []string{"4.40", "2.9.0"}[i%2])))
		}
		b.Run(fmt.Sprint(n, "-devices"), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Plan(r, "", "", s, Options{})
			}
		})
	}
}
