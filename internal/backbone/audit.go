package backbone

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"muster/internal/check"
)

// AuditSchema names the version of the audit's shape.
const AuditSchema = "muster.backbone/v1"

// Audit is the judgement of one layout, on its own or against the live network.
type Audit struct {
	Schema      string       `json:"schema"`
	Boat        string       `json:"boat,omitempty"`
	Network     string       `json:"network,omitempty"` // of the layout, or the one that it was compared with
	Problem     string       `json:"problem,omitempty"` // why it was not compared with the network
	Cable       Measure      `json:"cable"`             // metres of the backbone's own cables
	Length      Measure      `json:"length"`            // metres of backbone, with a drop cable counted in where it reaches beyond an end
	DropSum     Measure      `json:"drop_sum"`          // metres of all drops
	Devices     Measure      `json:"devices"`
	Load        float64      `json:"load"` // load equivalency of all drops
	Lowest      *Outlet      `json:"lowest,omitempty"`
	Spread      Measure      `json:"spread"`        // volt between any two points or devices
	RuleOfThumb float64      `json:"rule_of_thumb"` // volt, the worst leg with all its load at the far end
	Solution    *Solution    `json:"solution"`
	BestFeed    *BestFeed    `json:"best_feed,omitempty"`
	Proposed    *Proposed    `json:"proposed,omitempty"`
	Termination *Termination `json:"termination,omitempty"`
	Readings    []Compared   `json:"readings,omitempty"`
	Live        *Live        `json:"live,omitempty"`
	Coverage    []Covered    `json:"coverage,omitempty"`
	Findings    []Finding    `json:"findings"`
	Cautions    []string     `json:"cautions"`
	Sources     []string     `json:"sources"` // of the limits and resistances, a line for each kind of cable in use
}

// Measure is a figure with its limit.
type Measure struct {
	Value float64 `json:"value"`
	Limit float64 `json:"limit"`
}

// BestFeed is the tee where one supply would keep the lowest device highest.
type BestFeed struct {
	At     string  `json:"at"`
	Lowest float64 `json:"lowest_volts"`
	Now    float64 `json:"now_volts"`
}

// Proposed is what the devices that are thought of would change.
type Proposed struct {
	Load     float64   `json:"load"`
	Lowest   float64   `json:"lowest_volts"`
	Spread   float64   `json:"spread_volts"`
	Findings []Finding `json:"findings,omitempty"` // that they would bring
}

// Compared is a reading beside the computed value.
type Compared struct {
	At       string  `json:"at"`
	Measured float64 `json:"measured_volts"`
	Computed float64 `json:"computed_volts"`
}

// Finding is one broken rule.
type Finding struct {
	Check    string         `json:"check"`
	Severity check.Severity `json:"severity"`
	Subject  string         `json:"subject"`
	Devices  []string       `json:"devices,omitempty"` // ids of devices on the network
	Summary  string         `json:"summary"`
	Evidence map[string]any `json:"evidence,omitempty"`
	Remedy   string         `json:"remedy"` // the steps as one text
	Steps    []check.Step   `json:"steps"`
}

// cautions are the usual ones of the trade (common practice, no source).
var cautions = []string{
	"Fit a fuse at the source of network power, sized for the cable and not for the load.",
	"Isolate power before you measure resistance or open a connector.",
	"Do not fit two power feeds unless an isolating power tee is between them, as the standard requires.",
	"Local codes and licensed practice come first. The figures come from trade-published rules, not from the standard's own text.",
}

// Judge checks a layout on its own.
func Judge(l *Layout) *Audit {
	s := l.Solve(nil)
	a := &Audit{Schema: AuditSchema, Boat: l.Boat, Network: l.Network, Solution: s, Cautions: cautions,
		Findings: []Finding{}}
	limit := 0.0
	for _, g := range l.Segments {
		c, _ := cableOf(g.Cable)
		a.Length.Value += float64(g.Length)
		if limit == 0 || c.MaxLength < limit {
			limit = c.MaxLength // mixed cables: the shorter limit (from memory)
		}
	}
	a.Length.Limit = limit
	a.Cable = a.Length
	a.Length.Value += l.overhang(s, a.Cable.Value)
	drops := l.drops(nil)
	for _, d := range drops {
		a.DropSum.Value += float64(d.Length)
		a.Load += d.Load
	}
	a.DropSum.Limit, a.Devices = MaxDropSum, Measure{float64(len(drops)), MaxDevices}
	if o, ok := s.Lowest(); ok {
		a.Lowest = &o
	}
	a.Spread = Measure{s.Spread(), MaxDropVolts}
	a.RuleOfThumb = l.ruleOfThumb(s)
	a.BestFeed = l.bestFeed(a.Lowest)
	if r := l.Readings.Resistance; r != nil {
		t := JudgeTermination(float64(*r))
		a.Termination = &t
	}
	for _, r := range l.Readings.Voltage {
		for _, p := range s.Points {
			if p.Name == r.At && p.Volts != nil {
				a.Readings = append(a.Readings, Compared{r.At, float64(r.Voltage), *p.Volts})
			}
		}
	}
	a.Sources = l.sources(drops)
	a.lengths(l, drops)
	a.power(l, s)
	a.feeds(l, s)
	a.readings()
	a.termination(l)
	if len(l.Proposed) > 0 {
		a.add(l)
	}
	return a
}

// sources report where the figures of the cables in use come from.
func (l *Layout) sources(drops []Drop) []string {
	var lines []string
	for _, c := range cables {
		used := slices.ContainsFunc(l.Segments, func(s Segment) bool { return s.Cable == c.Name }) ||
			slices.ContainsFunc(drops, func(d Drop) bool { return d.Length > 0 && orMicro(d.Cable) == c.Name }) ||
			slices.ContainsFunc(l.Power, func(p Power) bool { return p.Length > 0 && orMicro(p.Cable) == c.Name })
		if used {
			lines = append(lines, fmt.Sprintf("%s cable: %g ohm per metre of one conductor, %.0f m of backbone, %.0f A; %s", c.Name, c.Ohm, c.MaxLength, c.Rating, c.Source))
		}
	}
	return lines
}

// add checks the layout with the planned additional devices.
func (a *Audit) add(l *Layout) {
	with := *l
	with.Proposed, with.Tees, with.Readings = nil, slices.Clone(l.Tees), Readings{} // the meter read what is there now
	for _, d := range l.Proposed {
		k := slices.IndexFunc(with.Tees, func(t Tee) bool { return t.At == d.At })
		if k < 0 {
			k, with.Tees = len(with.Tees), append(with.Tees, Tee{At: d.At})
		}
		with.Tees[k].Drops = append(slices.Clip(with.Tees[k].Drops), d)
	}
	b := Judge(&with)
	a.Proposed = &Proposed{Load: b.Load, Spread: b.Spread.Value}
	if b.Lowest != nil {
		a.Proposed.Lowest = *b.Lowest.Volts
	}
	for _, f := range b.Findings {
		if !slices.ContainsFunc(a.Findings, func(o Finding) bool { return o.Check == f.Check && o.Subject == f.Subject }) {
			a.Proposed.Findings = append(a.Proposed.Findings, f)
		}
	}
}

// overhang is how far drops near an end reach beyond the terminator: a drop longer than the way from its tee to the end
// counts into the backbone (specification pages of a cable manufacturer).
func (l *Layout) overhang(s *Solution, total float64) float64 {
	var first, last float64
	for _, o := range s.Outlets {
		i := slices.IndexFunc(s.Points, func(p Point) bool { return p.Name == o.At })
		first = max(first, o.Metres-s.Points[i].Metres)
		last = max(last, o.Metres-(total-s.Points[i].Metres))
	}
	return first + last
}

// ruleOfThumb is the published formula for the worse side of each feed: all the load of the side at its far end.
func (l *Layout) ruleOfThumb(s *Solution) float64 {
	worst := 0.0
	for _, f := range s.Feeds {
		at := slices.IndexFunc(s.Points, func(p Point) bool { return p.Name == f.At })
		for _, side := range []struct {
			load float64
			legs []Leg
		}{{f.LoadLeft, s.Legs[:at]}, {f.LoadRest, s.Legs[at:]}} {
			drop := 0.0
			for _, g := range side.legs {
				c, _ := cableOf(g.Cable)
				drop += RuleOfThumb(side.load, Length(g.Metres), c.Ohm)
			}
			worst = max(worst, drop)
		}
	}
	return worst
}

// bestFeed tries the supply at every point. It answers only for one supply; several have a division of their own.
func (l *Layout) bestFeed(now *Outlet) *BestFeed {
	if len(l.Power) != 1 || now == nil {
		return nil
	}
	best := BestFeed{Now: *now.Volts, Lowest: math.Inf(-1)}
	for _, p := range l.line() {
		try := *l
		try.Power = []Power{l.Power[0]}
		try.Power[0].At = p
		s := try.Solve(nil)
		if slices.ContainsFunc(s.Outlets, func(o Outlet) bool { return o.Volts == nil }) {
			continue // an isolating tee would leave devices without a supply
		}
		if o, ok := s.Lowest(); ok && *o.Volts > best.Lowest+1e-9 {
			best.At, best.Lowest = p, *o.Volts
		}
	}
	if best.At == "" {
		return nil
	}
	return &best
}

// find adds a finding, with the catalogue's texts of that case of its check.
func (a *Audit) find(f Finding, name string, values check.Values) {
	f.Summary, f.Steps = check.Describe(f.Check, name, values)
	f.Remedy = check.Remedy(f.Steps)
	a.Findings = append(a.Findings, f)
}

// fixed writes a figure with so many decimals.
func fixed[T ~float64](v T, decimals int) string {
	return strconv.FormatFloat(float64(v), 'f', decimals, 64)
}

func (a *Audit) lengths(l *Layout, drops []Drop) {
	if a.Length.Value > a.Length.Limit {
		name := ""
		if a.Length.Value > a.Cable.Value {
			name = "ends"
		}
		a.find(Finding{Check: "backbone-too-long", Severity: check.Warning, Subject: "backbone",
			Evidence: map[string]any{"metres": round(a.Length.Value), "cable_metres": round(a.Cable.Value), "limit_metres": a.Length.Limit}},
			name, check.Values{"length": fixed(a.Length.Value, 1), "cable": fixed(a.Cable.Value, 1), "limit": fixed(a.Length.Limit, 0)})
	}
	for _, t := range l.Tees {
		if t.Ports > 0 && len(t.Drops) > t.Ports {
			a.find(Finding{Check: "tee-overfull", Severity: check.Warning, Subject: t.At,
				Evidence: map[string]any{"drop_cables": len(t.Drops), "ports": t.Ports}},
				"", check.Values{"at": t.At, "count": strconv.Itoa(len(t.Drops)), "ports": strconv.Itoa(t.Ports)})
		}
	}
	for _, d := range drops {
		if d.Length > MaxDrop {
			name := cmp.Or(d.Device, d.Model, "its device")
			a.find(Finding{Check: "drop-cable-too-long", Severity: check.Warning, Subject: d.At + " " + name,
				Evidence: map[string]any{"metres": round(float64(d.Length)), "limit_metres": MaxDrop}},
				"", check.Values{"at": d.At, "device": name, "length": fixed(d.Length, 1), "limit": fixed(MaxDrop, 0)})
		}
	}
	if a.DropSum.Value > a.DropSum.Limit {
		a.find(Finding{Check: "drop-cable-too-long", Severity: check.Warning, Subject: "all drops",
			Evidence: map[string]any{"metres": round(a.DropSum.Value), "limit_metres": a.DropSum.Limit}},
			"sum", check.Values{"length": fixed(a.DropSum.Value, 1), "limit": fixed(a.DropSum.Limit, 0)})
	}
	if a.Devices.Value > a.Devices.Limit {
		a.find(Finding{Check: "too-many-devices", Severity: check.Warning, Subject: "layout",
			Evidence: map[string]any{"devices": a.Devices.Value, "limit": a.Devices.Limit}},
			"layout", check.Values{"count": fixed(a.Devices.Value, 0), "limit": fixed(a.Devices.Limit, 0)})
	}
}

func (a *Audit) power(l *Layout, s *Solution) {
	dead := []string{}
	for _, o := range s.Outlets {
		switch {
		case o.Volts == nil:
			dead = append(dead, o.Device)
		case *o.Volts < MinVolts:
			a.find(Finding{Check: "voltage-drop", Severity: check.Critical, Subject: o.At + " " + o.Device,
				Evidence: map[string]any{"volts": round(*o.Volts), "minimum_volts": MinVolts}},
				"low", check.Values{"device": o.Device, "at": o.At, "volts": fixed(*o.Volts, 2), "limit": fixed(MinVolts, 0), "feed": a.feedRemedy()})
		}
		if o.Load > MaxDeviceLoad {
			a.find(Finding{Check: "load-too-high", Severity: check.Warning, Subject: o.At + " " + o.Device,
				Evidence: map[string]any{"load": o.Load, "limit": MaxDeviceLoad}},
				"device", check.Values{"device": o.Device, "load": Tenths(o.Load), "limit": fixed(MaxDeviceLoad, 0)})
		}
	}
	if len(dead) > 0 {
		a.find(Finding{Check: "voltage-drop", Severity: check.Critical, Subject: "no supply",
			Evidence: map[string]any{"devices": dead}},
			"no-power", check.Values{"devices": strings.Join(dead, ", ")})
	}
	if a.Spread.Value > a.Spread.Limit {
		a.find(Finding{Check: "voltage-drop", Severity: check.Warning, Subject: "spread",
			Evidence: map[string]any{"volts": round(a.Spread.Value), "limit_volts": a.Spread.Limit, "rule_of_thumb_volts": round(a.RuleOfThumb)}},
			"spread", check.Values{"volts": fixed(a.Spread.Value, 2), "limit": fixed(a.Spread.Limit, 1), "feed": a.feedRemedy()})
	}
	for _, g := range s.Legs {
		if c, _ := cableOf(g.Cable); math.Abs(g.Amps) > c.Rating {
			a.find(Finding{Check: "load-too-high", Severity: check.Critical, Subject: g.From + " " + g.To,
				Evidence: map[string]any{"amps": round(math.Abs(g.Amps)), "rating_amps": c.Rating}},
				"cable", check.Values{"amps": fixed(math.Abs(g.Amps), 1), "from": g.From, "to": g.To, "cable": g.Cable, "rating": fixed(c.Rating, 0)})
		}
	}
}

// feeds checks the power feeds: each with its fuse and its cable, and all of them together.
func (a *Audit) feeds(l *Layout, s *Solution) {
	for i, f := range s.Feeds {
		p := l.Power[i]
		if f.Voltage > MaxVolts {
			a.find(Finding{Check: "voltage-drop", Severity: check.Critical, Subject: "power " + f.At,
				Evidence: map[string]any{"volts": f.Voltage, "maximum_volts": MaxVolts}},
				"high", check.Values{"at": f.At, "volts": fixed(f.Voltage, 1), "limit": fixed(MaxVolts, 0)})
		}
		if f.Fuse > 0 && f.Amps > f.Fuse {
			a.find(Finding{Check: "load-too-high", Severity: check.Critical, Subject: "power " + f.At,
				Evidence: map[string]any{"amps": round(f.Amps), "fuse_amps": f.Fuse}},
				"fuse", check.Values{"at": f.At, "amps": fixed(f.Amps, 1), "fuse": fixed(f.Fuse, 0)})
		}
		leg, _ := cableOf(orMicro(p.Cable))
		if p.Length > 0 && f.Amps > leg.Rating {
			a.find(Finding{Check: "load-too-high", Severity: check.Critical, Subject: "power leg " + f.At,
				Evidence: map[string]any{"amps": round(f.Amps), "rating_amps": leg.Rating}},
				"feed-cable", check.Values{"amps": fixed(f.Amps, 1), "at": f.At, "cable": leg.Name, "rating": fixed(leg.Rating, 0)})
		}
		c := l.lightestAt(f.At)
		if p.Length > 0 && leg.Rating < c.Rating {
			c = leg
		}
		if f.Fuse > c.Rating {
			a.find(Finding{Check: "load-too-high", Severity: check.Warning, Subject: "fuse " + f.At,
				Evidence: map[string]any{"fuse_amps": f.Fuse, "rating_amps": c.Rating}},
				"fuse-too-large", check.Values{"at": f.At, "fuse": fixed(f.Fuse, 0), "cable": c.Name, "rating": fixed(c.Rating, 0)})
		}
	}
	for _, together := range l.notIsolated() {
		a.find(Finding{Check: "feeds-not-isolated", Severity: check.Warning, Subject: strings.Join(together, " "),
			Evidence: map[string]any{"power_points": together}},
			"", check.Values{"feeds": strings.Join(together, " and ")})
	}
}

// notIsolated lists the power feeds that no isolating power tee isolates from each other. What is at an isolating tee
// is on the first end's side.
func (l *Layout) notIsolated() [][]string {
	var out [][]string
	var here []string
	line := l.line()
	for i, p := range line {
		if slices.ContainsFunc(l.Power, func(f Power) bool { return f.At == p }) {
			here = append(here, p)
		}
		if i < len(line)-1 && !slices.ContainsFunc(l.Tees, func(t Tee) bool { return t.At == p && t.Isolates }) {
			continue
		}
		if len(here) > 1 {
			out = append(out, here)
		}
		here = nil
	}
	return out
}

// readings checks what the meter showed along the backbone.
func (a *Audit) readings() {
	for _, r := range a.Readings {
		if math.Abs(r.Measured-r.Computed) > apart {
			a.find(Finding{Check: "voltage-drop", Severity: check.Warning, Subject: "reading " + r.At,
				Evidence: map[string]any{"measured_volts": r.Measured, "computed_volts": round(r.Computed)}},
				"reading", check.Values{"at": r.At, "volts": fixed(r.Measured, 2), "expected": fixed(r.Computed, 2)})
		}
	}
}

func (l *Layout) lightestAt(p string) Cable {
	lightest := cables[len(cables)-1]
	for _, s := range l.Segments {
		if c, _ := cableOf(s.Cable); (s.From == p || s.To == p) && c.Rating < lightest.Rating {
			lightest = c
		}
	}
	return lightest
}

func (a *Audit) feedRemedy() string {
	if b := a.BestFeed; b != nil && b.Lowest > b.Now+0.01 {
		return fmt.Sprintf("Feed the backbone at %s: the lowest device then gets %.2f V instead of %.2f V. Or use heavier cable throughout.", b.At, b.Lowest, b.Now)
	}
	return "Use heavier cable, or divide the backbone over two power feeds with an isolating power tee."
}

func (a *Audit) termination(l *Layout) {
	bad := func(subject, name string, values check.Values, evidence map[string]any) {
		a.find(Finding{Check: "terminator", Severity: check.Warning, Subject: subject, Evidence: evidence}, name, values)
	}
	line := l.line()
	ends := []string{line[0], line[len(line)-1]}
	for _, e := range ends {
		if n := count(l.Terminators, e); n != 1 {
			bad("end "+e, "count", check.Values{"end": e, "count": n}, map[string]any{"terminators": n})
		}
	}
	for _, t := range l.Terminators {
		if !slices.Contains(ends, t) {
			bad("at "+t, "place", check.Values{"at": t}, nil)
		}
	}
	if t := a.Termination; t != nil && !t.Good {
		bad("reading", "resistance", check.Values{"ohm": fixed(t.Ohm, 0), "meaning": t.Meaning}, map[string]any{"ohm": t.Ohm})
	}
}

func count(list []string, v string) int {
	n := 0
	for _, x := range list {
		if x == v {
			n++
		}
	}
	return n
}

func round(v float64) float64 { return math.Round(v*1000) / 1000 }
