package pages

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/input"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/ui"
)

// choice is the form that makes the work order: the units that are behind, with release and turn to choose. It shows what the job's order
// has, or else what the sheets propose.
func (j jobView) choice(words string) g.Node {
	proposed := j.Plan.Steps()
	if len(proposed) == 0 {
		return ui.Empty("Nothing is to be updated.")
	}
	has := j.Work.Order
	if has == nil {
		has = j.Plan
	}
	unit := func(s *release.Step) g.Node {
		shown, group := s, groupOf(j.Plan, s.Device.ID)
		for _, x := range has.Steps() {
			if x.Device.ID == s.Device.ID {
				shown = x
			}
		}
		turn, in := groupOf(has, s.Device.ID), true
		if turn == 0 {
			turn, in = group, false
		}
		id := ui.Slug(s.Device.ID)
		return h.Li(h.ID("unit-"+id), ui.Hidden("proposed", s.Device.ID), ui.Hidden("group", strconv.Itoa(group)),
			ui.Tick(boat.Printable(s.Device.Label+", from "+s.From), "unit", in, h.Value(s.Device.ID)),
			ui.Small(boat.Printable(fmt.Sprintf("%s · %d min", render.MediumFile(s.Medium), s.Minutes))),
			h.P(ui.Choice("To", "release", j.releases(s, shown.To)), ui.Space,
				ui.Field("Turn", "turn", h.Type("number"), h.Value(strconv.Itoa(turn)), h.Min("1"), h.Max("1000"), h.Required())))
	}
	return j.act("plan", words, has == j.Plan, ui.Plain(g.Map(proposed, unit)),
		ui.Meta(g.Textf("About %d min in this order. Untick what is not to be updated. Units of one turn may go side by side; what a unit needs goes before it.", has.Minutes)))
}

// groupOf is the group of an order in which a unit has its step; 0 for none.
func groupOf(o *release.Order, unit string) int {
	for _, group := range o.Groups {
		if slices.ContainsFunc(group.Steps, func(s release.Step) bool { return s.Device.ID == unit }) {
			return group.Number
		}
	}
	return 0
}

// releases are those that a unit can get, the current one first.
func (j jobView) releases(s *release.Step, now string) g.Node {
	list := []string{s.To}
	for _, o := range j.Offers {
		if o.Unit == s.Device.ID {
			list = o.Releases
		}
	}
	return g.Map(list, func(version string) g.Node { return ui.Option(version, boat.Printable(version), version == now) })
}

// replan is the same form once there is an order, until the first update begins.
func (j jobView) replan() g.Node {
	if j.Plan == nil || !j.v.Act {
		return nil
	}
	return ui.More("replan", j.v.typed(actPath, "do", "plan") != nil, g.Text("Change the work order"), j.choice("Make the work order again"))
}

// choose reads what the form that makes the work order gives. Turns count only when one was changed.
func choose(a *api.JobAct, f url.Values) error {
	units, groups, releases, turns := f["proposed"], f["group"], f["release"], f["turn"]
	a.Releases, a.Turns = map[string]string{}, map[string]int{}
	changed := false
	for i, id := range units {
		if !slices.Contains(f["unit"], id) {
			a.Without = append(a.Without, id)
			continue
		}
		if i < len(releases) {
			a.Releases[id] = releases[i]
		}
		if i >= len(turns) || i >= len(groups) {
			continue
		}
		turn, err := strconv.Atoi(turns[i])
		if err != nil || turn < 1 {
			return fmt.Errorf("turn: %s is none: enter 1 or more", input.Quote(turns[i]))
		}
		a.Turns[id], changed = turn, changed || turns[i] != groups[i]
	}
	if !changed {
		a.Turns = nil
	}
	if len(units) > 0 && len(a.Without) == len(units) {
		return errors.New("plan: tick a unit that is to be updated, or go on without an update")
	}
	return nil
}
