package release

import (
	"fmt"
	"strings"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
)

// Limits of the pre-checks (common practice, no source).
const (
	defaultSupplyVolts = 12.0 // V, when no sheet gives a limit; on a boat of 24 V the sheet must give one
	fallingVoltsPerH   = -0.5 // V/h, a steeper fall means that no charger is on
	movingMS           = 0.5  // m/s, about a knot; satellite receivers show less than this at rest
)

// Knots writes a speed in m/s as people aboard do.
func Knots(ms float64) string { return fmt.Sprintf("%.1f kn", ms*3600/1852) }

// PreCheck is one thing to be true before work starts.
type PreCheck struct {
	ID     string     `json:"id"`
	Result Result     `json:"result"`
	Text   string     `json:"text"`
	Value  *float64   `json:"value,omitempty"` // absent when it is not known, or when the check is not about a quantity
	Unit   string     `json:"unit,omitempty"`  // of Value: V, V/h, 1/min or m/s
	Since  event.Time `json:"since,omitzero"`  // since when what the result rests on was received
}

// Result of a pre-check.
type Result string

// The results. Unknown is neither: a person must check.
const (
	Passed  Result = "passed"
	Failed  Result = "failed"
	Unknown Result = "unknown"
)

// Checked is which moment of the boat the pre-checks are of, when it is not the snapshot's.
type Checked struct {
	At event.Time `json:"at"`
	On string     `json:"on,omitempty"` // the source as it was written
}

// Check evaluates the pre-checks against the boat as it is in the report.
func (o *Order) Check(r *report.Report, c Conditions) []PreCheck {
	list := []PreCheck{o.supply(c), supplyTrend(c), engines(c), moving(c), o.present(r), alerts(r)}
	if o.Checked != nil || r.TakenAt != o.Snapshot.TakenAt {
		list = append(list, o.asPlanned(r))
	}
	return list
}

// CheckNow evaluates the pre-checks again, against the boat as a source shows it now, instead of as the snapshot showed it. It refuses another boat.
func (o *Order) CheckNow(r *report.Report, c Conditions, on string) error {
	if err := o.CheckBoat(r); err != nil {
		return err
	}
	o.text = nil
	o.Checked = &Checked{At: r.TakenAt, On: on}
	o.PreChecks = o.Check(r, c)
	return nil
}

// measured fills in a check of a quantity. told holds the value.
func (p PreCheck) measured(
	v *float64, unit string, since event.Time, good func(float64) bool, told func(float64) string, remedy string,
) PreCheck {
	if v == nil {
		return p
	}
	p.Result, p.Value, p.Unit, p.Since = Passed, v, unit, since
	p.Text = told(*v) + heardSince(since)
	if !good(*v) {
		p.Result = Failed
		if remedy != "" {
			p.Text += ": " + remedy
		}
	}
	return p
}

// heardSince is ", received since 08:03:12 UTC".
func heardSince(at event.Time) string {
	if at.IsZero() {
		return ""
	}
	return ", received since " + clock(at)
}

// clock is a time of day; the day is given with the moment of all checks.
func clock(at event.Time) string { return at.UTC().Format(time.TimeOnly) + " UTC" }

func (o *Order) supply(c Conditions) PreCheck {
	p := PreCheck{ID: "supply", Result: Unknown, Text: fmt.Sprintf("battery voltage is unknown: measure it; it must be at least %.1f V", o.SupplyVolts)}
	return p.measured(c.SupplyVolts, "V", c.SupplySince, func(v float64) bool { return v >= o.SupplyVolts },
		func(v float64) string {
			return fmt.Sprintf("battery voltage is %.1f V (minimum %.1f V)", v, o.SupplyVolts)
		}, "connect shore power or a charger")
}

func supplyTrend(c Conditions) PreCheck {
	p := PreCheck{ID: "supply-trend", Result: Unknown,
		Text: fmt.Sprintf("trend of the battery voltage is unknown, because it takes %d minutes: check that shore power or a charger is on", trendLeast)}
	return p.measured(c.SupplyTrend, "V/h", c.TrendSince, func(v float64) bool { return v > fallingVoltsPerH },
		func(v float64) string { return fmt.Sprintf("battery voltage changes by %+.1f V in an hour", v) }, "connect shore power or a charger")
}

func engines(c Conditions) PreCheck {
	p := PreCheck{ID: "engines-stopped", Result: Unknown, Text: "engine speed is not known: see that all engines are stopped"}
	told := func(v float64) string {
		if v > 0 {
			return fmt.Sprintf("an engine runs at %.0f/min", v)
		}
		return fmt.Sprintf("engines are stopped (%.0f/min)", v)
	}
	return p.measured(c.EngineRPM, "1/min", c.EngineSince, func(v float64) bool { return v <= 0 }, told, "stop it")
}

func moving(c Conditions) PreCheck {
	p := PreCheck{ID: "not-moving", Result: Unknown, Text: "speed over ground is not known: see that the boat is moored"}
	return p.measured(c.SpeedMS, "m/s", c.SpeedSince, func(v float64) bool { return v < movingMS },
		func(v float64) string { return "speed over ground is " + Knots(v) }, "do not update under way")
}

// nothingHeard reports whether the report shows nothing of what is aboard.
func nothingHeard(r *report.Report) bool { return len(r.Devices) == 0 && len(r.Talkers) == 0 }

// present finds the devices of the steps; those entered by hand are on no network.
func (o *Order) present(r *report.Report) PreCheck {
	p := PreCheck{ID: "devices-present", Result: Passed, Text: "every device of the order is on the network"}
	var missing []string
	wanted := false
	for _, s := range o.Steps() {
		if s.Device.ByHand != nil {
			continue
		}
		wanted = true
		at, ok := onNetwork(r, s.Device.ID)
		if !ok {
			missing = append(missing, s.Device.Label)
		}
		p.Since = max(p.Since, at)
	}
	switch {
	case wanted && nothingHeard(r):
		return PreCheck{ID: p.ID, Result: Unknown, Text: "nothing was received: check that the boat's electronics are on"}
	case len(missing) > 0:
		p.Result, p.Text, p.Since = Failed, "not on the network: "+strings.Join(missing, ", "), 0
	case !p.Since.IsZero():
		p.Text += ", all of them since " + clock(p.Since)
	}
	return p
}

// onNetwork reports whether a device, or a talker that identified itself, is present, and since when.
func onNetwork(r *report.Report, id string) (event.Time, bool) {
	if d := r.Device(id); d != nil {
		return presentSince(d), d.State == boat.Present
	}
	return 0, false
}

// presentSince is unset when it is unknown: a report read from JSON does not hold when a device came back.
func presentSince(d *report.Device) event.Time {
	switch {
	case d.Live != nil && d.Live.StateSince != 0:
		return d.Live.StateSince
	case d.Restarts == 0:
		return d.FirstSeen
	}
	return 0
}

// alerts finds critical alerts that have not cleared.
func alerts(r *report.Report) PreCheck {
	p := PreCheck{ID: "no-critical-alert", Result: Passed, Text: "no critical alert", Since: r.Window.From}
	var open []string
	for _, a := range r.Alerts {
		if a.Severity == check.Critical && a.State != alert.StatusCleared {
			open = append(open, check.ID(a.Check)+": "+a.Summary)
			if len(open) == 1 || a.Since < p.Since {
				p.Since = a.Since
			}
		}
	}
	switch {
	case len(open) > 0:
		p.Result, p.Text = Failed, "critical: "+strings.Join(open, "; ")
		if !p.Since.IsZero() {
			p.Text += ", since " + clock(p.Since)
		}
	case nothingHeard(r):
		return PreCheck{ID: p.ID, Result: Unknown, Text: "nothing was received, so alerts are unknown"}
	case !p.Since.IsZero():
		p.Text += " since " + clock(p.Since)
	}
	return p
}

// asPlanned checks whether the devices of the steps still run what they ran in the snapshot.
func (o *Order) asPlanned(r *report.Report) PreCheck {
	p := PreCheck{ID: "as-in-snapshot", Result: Passed, Text: "every device runs the version that it ran in the snapshot"}
	var other, unreported []string
	for _, s := range o.Steps() {
		told, there := versionIn(r, s.Device.ID)
		switch {
		case !there:
		case trim(told) == "":
			unreported = append(unreported, s.Device.Label)
		case !s.runs(told, s.From):
			other = append(other, fmt.Sprintf("%s runs %s, not %s", s.Device.Label, trim(told), s.From))
		}
	}
	switch {
	case len(other) > 0:
		p.Result, p.Text = Failed, strings.Join(other, "; ")+": take a new snapshot and make the order again"
	case nothingHeard(r):
		p.Result, p.Text = Unknown, "nothing was received, so the versions that the devices run now are unknown"
	case len(unreported) > 0:
		p.Result, p.Text = Unknown, "no version was reported by "+strings.Join(unreported, ", ")+": ask with --ask, or read it on the screen"
	}
	return p
}

// versionIn is what a device of the report, on a network or entered by hand, runs; there is false when it is not in the report.
func versionIn(r *report.Report, id string) (told string, there bool) {
	if d := r.Device(id); d != nil {
		return d.Version(), true
	}
	for i := range r.Manual {
		if r.Manual[i].ID == id {
			return r.Manual[i].Software, true
		}
	}
	return "", false
}

// runs reports whether what a device reported, or a person noted of it, is a listed version.
func (s *Step) runs(told, listed string) bool {
	scheme, err := s.Numbering.Compile()
	if err != nil {
		return false
	}
	want, err := scheme.ParseListed(listed)
	if err != nil {
		return false
	}
	got, err := scheme.Parse(told)
	if err != nil {
		if got, err = scheme.ParseListed(told); err != nil {
			return false
		}
	}
	c, err := Compare(got, want)
	return err == nil && c == 0
}
