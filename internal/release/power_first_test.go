package release

import (
	"strings"
	"testing"
)

// TestPowerFirst: a sheet whose steps connect power or moor the boat after a step that can fail without is refused, with the place.
func TestPowerFirst(t *testing.T) {
	const model = "schema: muster.sheet/v1\nmodels:\n  - name: A\n    match: {model: A}\n    numbering: {scheme: dotted}\n" +
		"    releases: [{version: 1.0}]\n    medium: {kind: network}\n    minutes: 5\n"
	for _, tt := range []struct{ name, before, after, want string }{
		{"power first", "[record-settings, charger-on, restore-defaults]", "[leave-power]", ""},
		{"no charger", "[restore-defaults]", "[]", ""},
		{"power later", "[restore-defaults, charger-on]", "[]", `s.yaml:9:32: step "charger-on" comes after "restore-defaults", which can fail without it`},
		{"power after the update", "[restore-defaults]", "[charger-on]", `s.yaml:10:13: step "charger-on" comes after "restore-defaults"`},
		{"mooring later", "[charger-on, restore-defaults, moored]", "[]", `step "moored" comes after "restore-defaults"`},
		{"sentences", "[Reset it to factory settings., Connect shore power.]", "[]", `step "Connect shore power." comes after "Reset it to factory settings."`},
		{"sentences in order", "[Switch on the charger., Moor the boat., Reset it to factory settings.]", "[Disconnect shore power.]", ""},
		{"what does not fail", "[Put the update card in., charger-on]", "[]", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Load(t.Context(), SheetFile{Name: "s.yaml", Data: []byte(model + "    before: " + tt.before + "\n    after: " + tt.after + "\n")})
			if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
}
