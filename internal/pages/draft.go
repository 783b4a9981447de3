package pages

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/report"
)

// draft is a layout as the editor's form holds it: texts as people type them. The points are in the order of the backbone, so
// that it is one line for any input.
type draft struct {
	Boat, Network, Resistance string
	Points                    []draftPoint
	Drops                     []draftDrop
	Coverage                  []draftCoverage

	wrong wrong // fields of the form
}

// draftPoint is one point with what is there, and the cable to the next.
type draftPoint struct {
	Name, Ports, Reading        string
	Terminator, Isolates, Power bool
	Voltage, Fuse               string
	LegLength, LegCable         string // of the power cable
	Length, Cable               string // to the next point
}

type draftDrop struct {
	Device, Model, Role, Name, Length, Cable, Load, Instance string
	At                                                       int    // index of its point
	Measures                                                 string // index of a power point, drop, or empty
	Planned                                                  bool   // proposed only
}

type draftCoverage struct{ Quantity, From string }

// Bounds of a draft: what a layout may have, and one more, which the check reports.
const (
	draftPoints   = 152
	draftDrops    = 151
	draftCoverMax = 40
)

// newDraft is the draft to start with when there is no layout.
func newDraft() draft {
	return draft{Points: []draftPoint{{Name: "bow", Terminator: true, Length: "5 m"}, {Name: "helm", Power: true, Voltage: "12.6 V", Fuse: "3 A", Length: "5 m"},
		{Name: "stern", Terminator: true}}}
}

// heardDraft is what is received of a network, at points by address: a drawing to be arranged. Without units it is newDraft.
func heardDraft(r *report.Report, network string) draft {
	d := draft{Network: network}
	if d.takeDevices(r); len(d.Drops) == 0 {
		return newDraft()
	}
	tees := min(len(d.Drops), mostTees)
	for i := range tees {
		d.Points = append(d.Points, draftPoint{Name: fmt.Sprintf("tee %d", i+1), Length: "1 m", Terminator: i == 0 || i == tees-1})
	}
	if tees == 1 {
		d.Points = append(d.Points, draftPoint{Name: "tee 2", Terminator: true})
	}
	feed := &d.Points[len(d.Points)/2]
	feed.Power, feed.Voltage, feed.Fuse = true, "12.6 V", "3 A"
	for i := range d.Drops {
		d.Drops[i].At = i * tees / len(d.Drops)
	}
	return d
}

// layout is the draft as a layout that passes the checks of a file.
func (d *draft) layout() (*backbone.Layout, error) {
	return backbone.Parse(context.Background(), "", []byte(d.yaml()))
}

// draftOf is the draft of a layout that was parsed.
func draftOf(l *backbone.Layout) draft {
	d := draft{Boat: l.Boat, Network: l.Network}
	if r := l.Readings.Resistance; r != nil {
		d.Resistance = plain(float64(*r)) + " ohm"
	}
	at := map[string]int{}
	for i, name := range l.Points() {
		at[name] = i
		p := draftPoint{Name: name, Terminator: slices.Contains(l.Terminators, name)}
		if i < len(l.Segments) {
			p.Length, p.Cable = metres(l.Segments[i].Length), l.Segments[i].Cable
		}
		d.Points = append(d.Points, p)
	}
	for _, f := range l.Power {
		p := &d.Points[at[f.At]]
		p.Power, p.Voltage, p.LegCable = true, plain(float64(f.Voltage))+" V", f.Cable
		if f.Fuse > 0 {
			p.Fuse = plain(float64(f.Fuse)) + " A"
		}
		if f.Length > 0 {
			p.LegLength = metres(f.Length)
		}
	}
	for _, r := range l.Readings.Voltage {
		d.Points[at[r.At]].Reading = plain(float64(r.Voltage)) + " V"
	}
	drop := func(x backbone.Drop, planned bool) {
		o := draftDrop{Device: x.Device, Model: x.Model, Role: x.Role, Name: x.Name, Length: metres(x.Length),
			Cable: x.Cable, Load: plain(x.Load),
			At: at[x.At], Planned: planned, Measures: x.Measures}
		if k, ok := at[x.Measures]; ok {
			o.Measures = strconv.Itoa(k)
		}
		if x.Instance != nil {
			o.Instance = strconv.Itoa(int(*x.Instance))
		}
		d.Drops = append(d.Drops, o)
	}
	for _, t := range l.Tees {
		p := &d.Points[at[t.At]]
		p.Isolates = t.Isolates
		if t.Ports > 0 {
			p.Ports = strconv.Itoa(t.Ports)
		}
		for _, x := range t.Drops {
			drop(x, false)
		}
	}
	for _, x := range l.Proposed {
		drop(x, true)
	}
	slices.SortStableFunc(d.Drops, func(a, b draftDrop) int { return cmp.Compare(a.At, b.At) })
	for _, c := range l.Coverage {
		d.Coverage = append(d.Coverage, draftCoverage(c))
	}
	return d
}

func metres(l backbone.Length) string { return plain(float64(l)) + " m" }

// plain writes a figure without more decimals than it needs, three at most.
func plain(v float64) string {
	return strings.TrimSuffix(strings.TrimRight(strconv.FormatFloat(v, 'f', 3, 64), "0"), ".")
}

// draftFrom reads the form.
func draftFrom(form url.Values) draft {
	get := func(key string) string { return strings.TrimSpace(form.Get(key)) }
	d := draft{Boat: get("boat"), Network: get("network"), Resistance: get("resistance")}
	for i := range draftPoints {
		p := fmt.Sprintf("p%d.", i)
		if !form.Has(p + "name") {
			break
		}
		at := draftPoint{Name: get(p + "name"), Ports: get(p + "ports"), Reading: get(p + "reading"),
			Terminator: form.Has(p + "terminator"), Isolates: form.Has(p + "isolates"), Power: form.Has(p + "power"),
			Voltage: get(p + "voltage"), Fuse: get(p + "fuse"), LegLength: get(p + "leg"), LegCable: get(p + "legcable"),
			Length: get(p + "length"), Cable: get(p + "cable")}
		if at.Power && !form.Has(p+"voltage") { // ticked just now
			at.Voltage, at.Fuse = "12 V", "3 A"
		}
		d.Points = append(d.Points, at)
	}
	for len(d.Points) < 2 { // the ends, which drop cables and buttons rely on
		d.Points = append(d.Points, draftPoint{Length: "1 m"})
	}
	for i := range draftDrops {
		p := fmt.Sprintf("d%d.", i)
		if !form.Has(p + "at") {
			break
		}
		at, err := strconv.Atoi(get(p + "at"))
		if err != nil || at < 0 || at >= len(d.Points) {
			at = 0
		}
		d.Drops = append(d.Drops, draftDrop{Device: get(p + "device"), Model: get(p + "model"), Role: get(p + "role"), Name: get(p + "id"),
			Length: get(p + "length"), Cable: get(p + "cable"), Load: get(p + "load"), Instance: get(p + "instance"), At: at,
			Measures: get(p + "measures"), Planned: form.Has(p + "planned")})
	}
	for i := range draftCoverMax {
		p := fmt.Sprintf("c%d.", i)
		if !form.Has(p + "quantity") {
			break
		}
		d.Coverage = append(d.Coverage, draftCoverage{get(p + "quantity"), get(p + "from")})
	}
	return d
}

// change does the action of a button: a verb, and for most the number of a row. An unknown action changes nothing.
func (d *draft) change(do string, r *report.Report) {
	verb, number, _ := strings.Cut(do, " ")
	n, err := strconv.Atoi(number)
	if err != nil {
		n = -1
	}
	switch {
	case verb == "add-point" && n >= 0 && n <= len(d.Points) && len(d.Points) < draftPoints:
		d.Points = slices.Insert(d.Points, n, draftPoint{Name: d.newName(), Length: "1 m"})
		if n > 0 && n+1 < len(d.Points) { // a cable is divided: its length stays
			before := &d.Points[n-1]
			before.Length, d.Points[n].Length = halves(before.Length)
			d.Points[n].Cable = before.Cable
		}
		d.movePoints(func(at int) int {
			if at >= n {
				return at + 1
			}
			return at
		})
	case verb == "remove-point" && n >= 0 && n < len(d.Points) && len(d.Points) > 2:
		if n > 0 && n+1 < len(d.Points) { // two cables become one
			d.Points[n-1].Length = sum(d.Points[n-1].Length, d.Points[n].Length)
		}
		d.Points = slices.Delete(d.Points, n, n+1)
		d.movePoints(func(at int) int {
			if at > n || at == len(d.Points) {
				return at - 1
			}
			return at
		})
	case verb == "add-drop" && n >= 0 && n < len(d.Points):
		d.addDrop(draftDrop{At: n, Length: "1 m", Load: "1"})
	case verb == "remove-drop" && n >= 0 && n < len(d.Drops):
		d.Drops = slices.Delete(d.Drops, n, n+1)
	case verb == "add-quantity" && len(d.Coverage) < draftCoverMax:
		d.Coverage = append(d.Coverage, draftCoverage{})
	case verb == "remove-quantity" && n >= 0 && n < len(d.Coverage):
		d.Coverage = slices.Delete(d.Coverage, n, n+1)
	case verb == "take-devices":
		d.takeDevices(r)
	}
}

// newName is a name for another point: the first tee that there is not.
func (d *draft) newName() string {
	for n := 1; ; n++ {
		name := fmt.Sprintf("tee %d", n)
		if !slices.ContainsFunc(d.Points, func(p draftPoint) bool { return p.Name == name }) {
			return name
		}
	}
}

var lengthText = regexp.MustCompile(`^([0-9]+(?:\.[0-9]+)?) ?(m|ft)$`)

// lengthOf reads a length as it is typed.
func lengthOf(text string) (value float64, unit string, ok bool) {
	m := lengthText.FindStringSubmatch(text)
	if m == nil {
		return 0, "", false
	}
	value, err := strconv.ParseFloat(m[1], 64)
	return value, m[2], err == nil
}

// halves divides a length; one that cannot be read stays, and the other half is left to be entered.
func halves(text string) (first, second string) {
	value, unit, ok := lengthOf(text)
	if !ok {
		return text, ""
	}
	half := math.Round(value*5) / 10
	return plain(half) + " " + unit, plain(value-half) + " " + unit
}

// sum adds two lengths; of those that cannot be read or have other units, the first stays.
func sum(a, b string) string {
	x, unit, ok := lengthOf(a)
	y, other, also := lengthOf(b)
	if !ok || !also || unit != other {
		return a
	}
	return plain(x+y) + " " + unit
}

// movePoints gives drop cables, and what they measure, the new numbers of their points.
func (d *draft) movePoints(to func(int) int) {
	for i := range d.Drops {
		x := &d.Drops[i]
		x.At = to(x.At)
		if k, err := strconv.Atoi(x.Measures); err == nil {
			x.Measures = strconv.Itoa(to(k))
		}
	}
}

func (d *draft) addDrop(x draftDrop) {
	if len(d.Drops) < draftDrops {
		d.Drops = append(d.Drops, x)
	}
}

// takeDevices adds the devices of the network that the draft lacks, at the first point.
func (d *draft) takeDevices(r *report.Report) {
	known := map[string]int{}
	for _, x := range d.Drops {
		known[strings.ToLower(x.Model)]++
		known[strings.ToLower(x.Name)]++
	}
	network, err := (&backbone.Layout{Network: d.Network}).On(r)
	if err != nil {
		return
	}
	for _, x := range r.On(network) {
		if x.State == boat.Gone || x.Product == nil || x.Product.Model == "" {
			continue
		}
		o := draftDrop{Device: boat.Printable(x.Product.Model), Model: x.Product.Model, Role: string(x.Role), Length: "1 m", Load: "1"}
		if o.Device != o.Model { // a file does not hold such a text
			if o.Model = ""; x.Name != nil {
				o.Name = x.ID
			}
		}
		if key := strings.ToLower(o.Model + o.Name); known[key] > 0 {
			known[key]--
			continue
		}
		if load := x.Product.LoadEquivalency; load != nil {
			o.Load = strconv.Itoa(int(*load))
		}
		d.addDrop(o)
	}
}

// bare is a text that means the same to YAML without quotes.
var bare = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9 /_.-]*$|^[0-9]+(\.[0-9]+)?( ?(m|ft|V|A|ohm))?$`)

// reserved are bare words that YAML takes for something else than text.
var reserved = []string{"true", "false", "null", "yes", "no", "on", "off", "y", "n"}

// scalar writes a text for YAML.
func scalar(s string) string {
	if bare.MatchString(s) && !slices.Contains(reserved, strings.ToLower(s)) {
		return s
	}
	text, _ := json.Marshal(s) // of a string: its escapes are YAML's too
	return string(text)
}

// pairs writes a flow mapping, without the keys that have no value.
func pairs(keyed ...string) string {
	var words []string
	for i := 0; i+1 < len(keyed); i += 2 {
		if keyed[i+1] != "" {
			words = append(words, keyed[i]+": "+scalar(keyed[i+1]))
		}
	}
	return "{" + strings.Join(words, ", ") + "}"
}

// tee is the entry of a tee; empty for one without content.
func (p *draftPoint) tee(drops []string) string {
	if len(drops) == 0 && p.Ports == "" && !p.Isolates {
		return ""
	}
	text := "at: " + scalar(p.Name)
	if p.Ports != "" {
		text += "\n    ports: " + scalar(p.Ports)
	}
	if p.Isolates {
		text += "\n    isolates: true"
	}
	if len(drops) > 0 {
		text += "\n    drops:\n      - " + strings.Join(drops, "\n      - ")
	}
	return text
}

// yaml writes the draft as a layout file.
func (d *draft) yaml() string {
	var b strings.Builder
	list := func(key string, items []string) {
		if len(items) > 0 {
			fmt.Fprintf(&b, "%s:\n  - %s\n", key, strings.Join(items, "\n  - "))
		}
	}
	for _, f := range [][2]string{{"boat", d.Boat}, {"network", d.Network}} {
		if f[1] != "" {
			fmt.Fprintf(&b, "%s: %s\n", f[0], scalar(f[1]))
		}
	}
	name := func(i int) string {
		if i >= 0 && i < len(d.Points) {
			return d.Points[i].Name
		}
		return ""
	}
	var segments, tees, terminators, power, readings, adding, coverage []string
	drops := make([][]string, len(d.Points))
	for _, x := range d.Drops {
		measures, at := x.Measures, ""
		if k, err := strconv.Atoi(measures); err == nil {
			measures = name(k)
		}
		if x.Planned {
			at = name(x.At)
		}
		text := pairs("at", at, "length", x.Length, "cable", x.Cable, "device", x.Device, "model", x.Model, "role", x.Role, "name", x.Name, "load", x.Load,
			"measures", measures, "instance", x.Instance)
		if x.Planned {
			adding = append(adding, text)
		} else {
			drops[x.At] = append(drops[x.At], text)
		}
	}
	for i, p := range d.Points {
		if i+1 < len(d.Points) {
			segments = append(segments, pairs("from", p.Name, "to", name(i+1), "length", p.Length, "cable", cmp.Or(p.Cable, "micro")))
		}
		if p.Terminator {
			terminators = append(terminators, scalar(p.Name))
		}
		if p.Power {
			power = append(power, pairs("at", p.Name, "voltage", p.Voltage, "fuse", p.Fuse, "cable", p.LegCable, "length", p.LegLength))
		}
		if p.Reading != "" {
			readings = append(readings, pairs("at", p.Name, "voltage", p.Reading))
		}
		if text := p.tee(drops[i]); text != "" {
			tees = append(tees, text)
		}
	}
	for _, c := range d.Coverage {
		coverage = append(coverage, pairs("quantity", c.Quantity, "from", c.From))
	}
	list("segments", segments)
	list("tees", tees)
	list("terminators", terminators)
	list("power", power)
	if d.Resistance != "" || len(readings) > 0 {
		b.WriteString("readings:\n")
		if d.Resistance != "" {
			fmt.Fprintf(&b, "  resistance: %s\n", scalar(d.Resistance))
		}
		if len(readings) > 0 {
			fmt.Fprintf(&b, "  voltage:\n    - %s\n", strings.Join(readings, "\n    - "))
		}
	}
	list("proposed", adding)
	list("coverage", coverage)
	return b.String()
}
