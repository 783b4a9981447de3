package check

import (
	"strings"
	"testing"

	"muster/internal/boat"
)

// TestCopies: of several that send one quantity, those that only repeat another are named, and are no further source.
func TestCopies(t *testing.T) {
	sends := func(r boat.Role, numbers ...uint32) change {
		return func(d *boat.Device) {
			d.Role = r
			for _, n := range numbers {
				d.Transmits = append(d.Transmits, boat.Transmit{PGN: n, Count: 100, Last: now, Available: ptr(true)})
			}
		}
	}
	gives := func(r *boat.State, m boat.Measure, values ...float64) *boat.State {
		for i, v := range values {
			r.Sources = append(r.Sources, boat.Source{Measure: m, ID: r.Devices[i].ID, Network: "can0", Value: v, At: now})
		}
		return r
	}
	echo := func(r *boat.State, m boat.Measure, matched int) *boat.State {
		r.Echoes = append(r.Echoes, boat.Echo{Measure: m, From: "A1", To: "B1", Tried: 100, Matched: matched, Lag: 300e6})
		return r
	}
	const variation, clock, heading, position = 127258, 126992, 127250, 129025
	two := func(numbers ...uint32) *boat.State {
		return aboard(sounder("A1", 35, sends(boat.RolePosition, numbers...)), head("B1", 36, sends(boat.RoleDisplay, numbers...)))
	}
	for _, tt := range []struct {
		name  string
		state *boat.State
		want  string // begin of the finding on the last quantity
	}{
		{"the same variation", gives(two(variation), boat.Variation, -0.0349, -0.0349), "1 source of magnetic variation on can0 and copies of it: "},
		{"another variation", gives(two(variation), boat.Variation, -0.0349, -0.0331), "2 sources of magnetic variation on can0: "},
		{"time without a position", gives(two(clock), boat.ClockOffset, 0, -0.2), "1 source of time on can0 and copies of it: "},
		{"time of another hour", gives(two(clock), boat.ClockOffset, 0, 3600), "2 sources of time on can0: "},
		{"time and a position of its own", gives(gives(two(position, clock), boat.Position, 50, 50), boat.ClockOffset, 0, -0.2), "2 sources of time on can0: "},
		{"time and a copied position", echo(gives(gives(two(position, clock), boat.Position, 50, 50), boat.ClockOffset, 0, -0.2), boat.Position, 97),
			"1 source of time on can0 and copies of it: "},
		{"a heading that repeats", echo(two(heading), boat.HeadingTrue, 97), "1 source of heading on can0 and copies of it: "},
		{"a heading that is alike", echo(two(heading), boat.HeadingTrue, 60), "2 sources of heading on can0: "},
	} {
		findings := Judge([]Rule{ruleOf(t, "multiple-sources")}, tt.state, now, nil).Findings
		if len(findings) == 0 {
			t.Errorf("%s: no finding", tt.name)
			continue
		}
		last := findings[0]
		for _, f := range findings { // sorted by subject
			if !strings.Contains(f.Summary, "position") {
				last = f
			}
		}
		if !strings.HasPrefix(last.Summary, tt.want) {
			t.Errorf("%s: %q, want %q", tt.name, last.Summary, tt.want)
		}
		if copies := strings.HasPrefix(tt.want, "1"); copies != (last.Evidence["copies"] != nil) {
			t.Errorf("%s: evidence %v", tt.name, last.Evidence)
		}
	}
}
