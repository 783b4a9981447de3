package release

import (
	"slices"
	"strings"
	"testing"
)

// TestHoldPoints: a sheet adds points and asks for more with a known one; an order that puts power or mooring behind what can fail
// without them is refused, and so is what nobody could tick.
func TestHoldPoints(t *testing.T) {
	const model = "schema: muster.sheet/v1\nmodels:\n  - name: A\n    match: {model: A}\n    numbering: {scheme: dotted}\n" +
		"    releases: [{version: 1.0}]\n    medium: {kind: network}\n    minutes: 5\n    hold_points:\n"
	for _, tt := range []struct{ name, points, want string }{
		{"needs", "      - {point: shore-power, needs: reading}\n      - {point: settings-kept, needs: photo}\n", ""},
		{"own", "      - {point: fuse-out, text: Take the fuse of the old supply out.}\n", ""},
		{"own before", "      - {point: berth, text: Moor the boat with four lines.}\n      - {point: waypoints-kept}\n", ""},
		{"power later", "      - {point: waypoints-kept}\n      - {point: shore-power}\n",
			`s.yaml:11:17: hold point "shore-power" comes after "waypoints-kept", which can fail without it: put it before`},
		{"mooring later", "      - {point: settings-kept}\n      - {point: moored}\n", `"moored" comes after "settings-kept"`},
		{"own sentences", "      - {point: wipe, text: Reset it to factory settings.}\n      - {point: charge, text: Connect the charger.}\n",
			`hold point "charge" comes after "wipe"`},
		{"unknown", "      - {point: shore}\n", `hold point "shore" is not known; add text:`},
		{"other text", "      - {point: moored, text: Moor it.}\n", `hold point "moored" has its own sentence`},
		{"unknown need", "      - {point: moored, needs: luck}\n", `needs "luck" is not known; write reading or photo`},
		{"no word", "      - {point: A b, text: x y}\n", "give it a short word"},
		{"twice", "      - {point: moored}\n      - {point: moored}\n", "is there twice"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Load(t.Context(), SheetFile{Name: "s.yaml", Data: []byte(model + tt.points)})
			if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
	points := holdPointsOf([]*Model{
		{Hold: []HoldPoint{{ID: "shore-power", Needs: NeedsReading}, {ID: "fuse-out", Text: "Take the fuse out."}}},
		{Hold: []HoldPoint{{ID: "shore-power", Needs: NeedsPhoto}, {ID: "berth", Text: "Moor the boat with four lines."}}}})
	var got []string
	for _, p := range points {
		got = append(got, p.ID+string(p.Needs))
	}
	want := []string{"moored", "engines-off", "shore-powerphoto", "berth", "settings-kept", "waypoints-kept", "owner-informed", "fuse-out"}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if holdPoints[2].Needs != "" {
		t.Error("a plan changed the points of every order")
	}
}
