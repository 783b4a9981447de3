package release

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/report"
)

// HoldPoint is something that a person sees to before the first update, and confirms.
type HoldPoint struct {
	ID    string `json:"id"`
	Text  string `json:"text"`
	Needs Needs  `json:"needs,omitempty"` // what its tick must come with
}

// Needs is what the tick of a hold point must come with.
type Needs string

// What ticks can need.
const (
	NeedsReading Needs = "reading"
	NeedsPhoto   Needs = "photo"
)

// The hold points of every order, in the order in which they are seen to: mooring and power first. They are common practice (no source):
// an update that loses power half-way can leave a device that does not start any more, and one that restores its defaults loses what its
// owner put in.
var holdPoints = []HoldPoint{
	{ID: "moored", Text: "The boat is moored"},
	{ID: "engines-off", Text: "All engines are off"},
	{ID: "shore-power", Text: "Shore power or a charger is on"},
	{ID: "settings-kept", Text: "Settings and instances are recorded"},
	{ID: "waypoints-kept", Text: "Waypoints and routes are saved to a card"},
	{ID: "owner-informed", Text: "The owner is informed of the updates"},
}

// safety are the hold points that come before any work on a device, and fails is what can fail without them.
var (
	safety = []string{"moored", "engines-off", "shore-power"}
	fails  = []string{"settings-kept", "waypoints-kept"}
)

// HoldPoints are what must be ticked before the first update; none without a step.
func (o *Order) HoldPoints() []HoldPoint {
	switch {
	case len(o.Steps()) == 0:
		return nil
	case len(o.Hold) == 0: // of an earlier version
		return holdPoints
	}
	return o.Hold
}

// holdYAML is a hold point of a sheet: a known word, or a sentence under a word of the shop's own.
type holdYAML struct {
	Point text `yaml:"point"`
	Text  text `yaml:"text"`
	Needs text `yaml:"needs"`
}

var pointWord = regexp.MustCompile(`^[a-z][a-z0-9-]{0,39}$`)

// holds reads the hold points of a model. Power and mooring come before what can fail without them.
func (r *reader) holds(ys []holdYAML) []HoldPoint {
	var out []HoldPoint
	var risky text // the last that can fail without power
	for _, y := range ys {
		p := HoldPoint{ID: y.Point.Value, Text: y.Text.Value, Needs: Needs(y.Needs.Value)}
		k := slices.IndexFunc(holdPoints, func(known HoldPoint) bool { return known.ID == p.ID })
		switch {
		case !pointWord.MatchString(p.ID):
			r.fail(y.Point, "hold point %q: give it a short word, as in point: fuse-out", p.ID)
		case k >= 0 && p.Text != "":
			r.fail(y.Text, "hold point %q has its own sentence: leave out text:, or give it another word", p.ID)
		case k < 0 && p.Text == "":
			r.fail(y.Point, "hold point %q is not known; add text: with a sentence, or write one of %s", p.ID, strings.Join(knownPoints(), ", "))
		case p.Needs != "" && p.Needs != NeedsReading && p.Needs != NeedsPhoto:
			r.fail(y.Needs, "needs %q is not known; write %s or %s", p.Needs, NeedsReading, NeedsPhoto)
		case slices.ContainsFunc(out, func(o HoldPoint) bool { return o.ID == p.ID }):
			r.fail(y.Point, "hold point %q is there twice", p.ID)
		}
		if k >= 0 {
			p.Text = holdPoints[k].Text
		}
		safe := slices.Contains(safety, p.ID) || makesSafe.MatchString(p.Text)
		if safe && risky.Line > 0 {
			r.fail(y.Point, "hold point %q comes after %q, which can fail without it: put it before", p.ID, risky.Value)
		}
		if !safe && (slices.Contains(fails, p.ID) || failsUnsafe.MatchString(p.Text)) {
			risky = y.Point
		}
		out = append(out, p)
	}
	return out
}

func knownPoints() (words []string) {
	for _, p := range holdPoints {
		words = append(words, p.ID)
	}
	return words
}

// holdPointsOf are those of every order, with what the sheets of its steps ask for besides. A sheet's own come after mooring and power,
// in the order of the steps.
func holdPointsOf(models []*Model) []HoldPoint {
	out := slices.Clone(holdPoints)
	for _, m := range models {
		for _, p := range m.Hold {
			k := slices.IndexFunc(out, func(o HoldPoint) bool { return o.ID == p.ID })
			switch {
			case k < 0 && makesSafe.MatchString(p.Text):
				out = slices.Insert(out, len(safety), p)
			case k < 0:
				out = append(out, p)
			case p.Needs == NeedsPhoto || out[k].Needs == "":
				out[k].Needs = p.Needs
			}
		}
	}
	return out
}

// restore are the settings of a unit that an update can lose, as the snapshot has them: instances and names, and for a display the
// sources that somebody selected, which only its own screen shows.
func restore(u *Unit, role boat.Role, r *report.Report) (list []string) {
	d := u.device
	if d == nil {
		return nil
	}
	if n := d.Name; n != nil {
		list = append(list, fmt.Sprintf("device instance %d, system instance %d", n.DeviceInstance, n.SystemInstance))
	}
	for i, text := range u.text {
		if text != "" {
			list = append(list, fmt.Sprintf("installation text %d: %q", i+1, text))
		}
	}
	for i := range d.Transmits {
		if t := &d.Transmits[i]; t.Instance != nil {
			name := fmt.Sprintf("message %d", t.PGN)
			if t.Title != "" {
				name = fmt.Sprintf("%s (%d)", t.Title, t.PGN)
			}
			list = append(list, fmt.Sprintf("instance %d of %s", *t.Instance, name))
		}
	}
	if role != boat.RoleDisplay {
		return list
	}
	for _, a := range r.Alerts {
		if check.ID(a.Check) == "multiple-sources" && a.State != alert.StatusCleared {
			list = append(list, "selected source, of "+a.Summary)
		}
	}
	return list
}
