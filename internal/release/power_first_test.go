package release

import (
	"strings"
	"testing"
)

// TestPowerFirst: a sheet that restores factory defaults before shore power is on is refused, with the place.
func TestPowerFirst(t *testing.T) {
	const head = "schema: muster.sheet/v1\nmodels:\n  - name: A\n    match: {model: A}\n    numbering: {scheme: dotted}\n" +
		"    releases: [{version: 1.0}]\n    medium: {kind: network}\n    minutes: 5\n"
	for _, tt := range []struct{ name, before, want string }{
		{"power first", "[record-settings, charger-on, restore-defaults]", ""},
		{"no charger", "[restore-defaults]", ""},
		{"power later", "[restore-defaults, charger-on]", "s.yaml:9:32: step charger-on comes after restore-defaults"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Load(t.Context(), SheetFile{Name: "s.yaml", Data: []byte(head + "    before: " + tt.before + "\n")})
			if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
}
