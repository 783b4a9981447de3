package render

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/release"
)

// TestProblems: the units that no sheet describes are one line, in the place of the first; a single one keeps its own.
func TestProblems(t *testing.T) {
	none := func(unit string) release.Problem {
		return release.Problem{Code: release.UnknownModel, Device: unit, Text: unit + " is described by no sheet", Remedy: "write a sheet"}
	}
	other := release.Problem{Code: release.UnknownModel, Text: "two sheets describe C", Remedy: "delete one"}
	for _, tt := range []struct{ all, want []release.Problem }{
		{nil, nil},
		{[]release.Problem{other, none("A")}, []release.Problem{other, none("A")}},
		{[]release.Problem{none("A"), other, none("B")}, []release.Problem{{Code: release.UnknownModel,
			Text: "2 units are described by no sheet: A; B", Remedy: "write a sheet that matches each model that you update"}, other}},
	} {
		if diff := cmp.Diff(tt.want, Problems(tt.all)); diff != "" {
			t.Errorf("(-want +got)\n%s", diff)
		}
	}
}
