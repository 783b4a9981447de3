package release

import (
	"slices"
	"strings"
	"testing"
)

// chosenBy plans the sample boat with a choice, in which units are named by serial number.
func chosenBy(t *testing.T, c Choice) *Order {
	t.Helper()
	if err := c.Resolve(sample(), examples(t)); err != nil {
		t.Fatal(err)
	}
	o, _ := Plan(sample(), "sha256:0123", "", examples(t), Options{Choice: c})
	return o
}

// TestChooseReleases: a unit that is left out and one that gets an earlier release hold back what needs more of them.
func TestChooseReleases(t *testing.T) {
	o := chosenBy(t, Choice{Without: []string{"L9-0001"}, Releases: map[string]string{"L12-0001": "4.47", "B-77": "20260115"}, By: "Ana"})
	steps := map[string]*Step{}
	for _, s := range o.Steps() {
		steps[s.Device.Serial] = s
	}
	s := steps["L12-0001"]
	if s == nil || s.To != "4.47" || s.Chosen != "4.47 was chosen by Ana; 4.50 is the current release" || s.Medium.File != "" {
		t.Errorf("%+v", s)
	}
	if s := steps["B-77"]; s == nil || s.Chosen != "" || s.Medium.File == "" {
		t.Errorf("the current release is no choice: %+v", s)
	}
	if steps["L9-0001"] != nil || steps["S3-0001"] != nil || !slices.ContainsFunc(o.Deferred, func(r Remark) bool { return r.Why == "left out by Ana" }) {
		t.Errorf("%v, deferred %v", steps, o.Deferred)
	}
}

// TestChooseTurns: units go in the turns that were chosen; what a unit needs goes before it whatever was chosen.
func TestChooseTurns(t *testing.T) {
	o := chosenBy(t, Choice{Turns: map[string]int{"B-77": 1, "S3-0001": 1, "L9-0001": 2, "L12-0001": 7}, By: "Ana"})
	place := map[string]int{}
	for i, s := range o.Steps() {
		place[s.Device.Serial] = i
		for _, d := range s.After {
			if s.Device.Serial == "L9-0001" && d.Why != "the order was chosen by Ana" {
				t.Errorf("%+v", s.After)
			}
		}
	}
	if !(place["B-77"] < place["L9-0001"] && place["L9-0001"] < place["L12-0001"] && place["L12-0001"] < place["S3-0001"]) {
		t.Errorf("%v", place)
	}
	told := func(p Problem) bool { return p.Code == TurnNotKept && strings.Contains(p.Text, "L9-0001") }
	if !slices.ContainsFunc(o.Problems, told) {
		t.Errorf("%v", o.Problems)
	}
}

// TestChooseWhatThereIs: what cannot be chosen of this boat is refused.
func TestChooseWhatThereIs(t *testing.T) {
	for want, c := range map[string]Choice{
		"there is none":                        {Without: []string{"L9-9"}},
		"no sheet has an update for it":        {Turns: map[string]int{"L9-0002": 1}},
		`release "4.40" is not to be chosen`:   {Releases: map[string]string{"L12-0001": "4.40"}},
		`write one of ["4.50" "4.47"]`:         {Releases: map[string]string{"L12-0001": "5"}},
		"turn 0 is none: write 1 or more":      {Turns: map[string]int{"L9-0001": 0}},
		`unit "": there is none of this id or`: {Without: []string{""}},
	} {
		if err := c.Resolve(sample(), examples(t)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v", c, err)
		}
	}
}
