package input

import (
	"strings"
	"testing"
)

func TestRename(t *testing.T) {
	type config struct {
		Notify []struct {
			Min string `yaml:"min_severity"`
		} `yaml:"notify"`
	}
	old := []OldKey{{"tell", "notify"}, {"notify.*.severity", "min_severity"}}
	for _, c := range []struct{ name, in, min, warnings, mistake string }{
		{"new", "notify: [{min_severity: info}]", "info", "", ""},
		{"old", "tell:\n  - severity: info\n", "info",
			`f:1:1: old key "tell": write "notify" instead; f:2:5: old key "severity": write "min_severity" instead`, ""},
		{"half", "notify: [{severity: info}]", "info", `f:1:11: old key "severity": write "min_severity" instead`, ""},
		{"anchor", "tell: &all [{min_severity: info}]", "info", `f:1:1: old key "tell": write "notify" instead`, ""},
		{"empty", "tell:\nnotify: []", "", "", ""},
		{"both", "tell: []\nnotify: []", "", "", `f:1:1: "tell" is the old name of "notify": remove it`},
		{"a mistake further in", "tell: [{minimum: info}]", "", `f:1:1: old key "tell": write "notify" instead`, `f:1:9: unknown key "minimum"`},
		{"no list", "tell: 4", "", `f:1:1: old key "tell": write "notify" instead`, "f:1:7: expected a list"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var got config
			d, err := YAML(t.Context(), "f", []byte(c.in), &got, old...)
			if err == nil && c.mistake != "" || err != nil && err.Error() != c.mistake {
				t.Errorf("mistake %v, want %q", err, c.mistake)
			}
			var warnings []string
			for _, m := range d.Warnings {
				warnings = append(warnings, m.Error())
			}
			if w := strings.Join(warnings, "; "); w != c.warnings {
				t.Errorf("warnings %s, want %s", w, c.warnings)
			}
			if err == nil && len(got.Notify) > 0 && got.Notify[0].Min != c.min {
				t.Errorf("min_severity %q", got.Notify[0].Min)
			}
		})
	}
}

func TestRenameJSON(t *testing.T) {
	got := string(RenameJSON([]byte(`{"hold" : 1, "x": "a \"hold\": b", "held": 2, "list": ["hold", {"hold":3}]}`), map[string]string{"hold": "hold_point"}))
	if want := `{"hold_point" : 1, "x": "a \"hold\": b", "held": 2, "list": ["hold", {"hold_point":3}]}`; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}
