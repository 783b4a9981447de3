package config

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/check"
)

func TestParse(t *testing.T) {
	c, err := Parse(t.Context(), "muster.yaml", []byte(`
boat: {id: wagtail, name: Wagtail}
sources:
  - {source: can0, ask: true}
  - source: 0183:/dev/ttyUSB0?baud=4800
    id: wind
checks:
  bus-load-high: {warning: 0.6}
  silent: {off: true}
  restarted: {within: 2h, hold: 5s, severity: info}
`))
	if err != nil {
		t.Fatal(err)
	}
	want := Default()
	want.Boat = boat.Identity{ID: "wagtail", Name: "Wagtail"}
	want.BoatKeys = boatKeys(want.Boat)
	want.Sources = []Source{{Source: "can0", Ask: true}, {Source: "0183:/dev/ttyUSB0?baud=4800", ID: "wind"}}
	want.Checks.BusLoadHigh.Warning = 0.6
	want.Checks.Silent.Off = true
	hold := 5 * time.Second
	want.Checks.Restarted.Within, want.Checks.Restarted.Hold, want.Checks.Restarted.Severity = 2*time.Hour, &hold, check.Info
	if d := cmp.Diff(want, c); d != "" {
		t.Error(d)
	}
	for _, empty := range []string{"", "# nothing\n", "checks:\n  # every: 10s\n", "log:\nlisten:\n"} {
		if c, err := Parse(t.Context(), "muster.yaml", []byte(empty)); err != nil || !cmp.Equal(c, Default()) {
			t.Errorf("empty file %q: %v", empty, err)
		}
	}
}

// TestOldNames: keys and ids of checks of an earlier version count, each with a warning.
func TestOldNames(t *testing.T) {
	old, err := Parse(t.Context(), "muster.yaml", []byte("tell: [{webhook: 'http://a/', severity: warning}]\nchecks: {bus-busy: {warning: 0.4}}\n"+
		"accepted: [{check: many-sources, why: on purpose}]\n"))
	if err != nil {
		t.Fatal(err)
	}
	want, err := Parse(t.Context(), "muster.yaml", []byte("notify: [{webhook: 'http://a/', min_severity: warning}]\nchecks: {bus-load-high: {warning: 0.4}}\n"+
		"accepted: [{check: multiple-sources, why: on purpose}]\n"))
	if err != nil {
		t.Fatal(err)
	}
	var warnings []string
	for _, m := range old.Warnings {
		warnings = append(warnings, m.Error())
	}
	if d := cmp.Diff([]string{
		`muster.yaml:1:1: old key "tell": write "notify" instead`,
		`muster.yaml:1:31: old key "severity": write "min_severity" instead`,
		`muster.yaml:2:10: old key "bus-busy": write "bus-load-high" instead`,
		`muster.yaml:3:20: accepted.0.check: old id "many-sources": write "multiple-sources" instead`,
	}, warnings); d != "" {
		t.Error(d)
	}
	old.Warnings = nil
	if d := cmp.Diff(want, old); d != "" {
		t.Error(d)
	}
}

func TestMistakes(t *testing.T) {
	tests := []struct{ name, in, want string }{
		{"unknown key", "boat: {id: wagtail}\nlissen: x\n", `muster.yaml:2:1: unknown key "lissen": deploy/muster.yaml lists them all`},
		{"unknown nested key", "sources:\n  - source: can0\n    asks: true\n", `muster.yaml:3:5: unknown key "asks": deploy/muster.yaml lists them all`},
		{"unknown check", "checks:\n  loose-cable: {off: true}\n", `muster.yaml:2:3: unknown key "loose-cable": deploy/muster.yaml lists them all`},
		{"wrong type", "sources:\n  - {source: can0, ask: perhaps}\n", `muster.yaml:2:25: expected true or false. Example: ask: true`},
		{"no YAML", "boat: [\n", `muster.yaml:1:7: the [ that begins here has no ] at its end`},
		{"repeated key", "listen: off\nlisten: off\n", `muster.yaml:2:1: key "listen" is there twice: remove one`},
		{"second document", "listen: off\n---\nlisten: off\n", `muster.yaml:3:7: a second document starts here: keep one in the file`},
		{"boat id", "boat:\n  id: The Wagtail\n", `muster.yaml:2:7: boat.id: "The Wagtail" must be up to 63 lower-case letters, digits and inner hyphens, such as wagtail-2`},
		{"boat name", "boat:\n  name: \"a\\nb\"\n", `muster.yaml:2:9: boat.name: "a\nb" holds a control character: write the name in one plain line`},
		{"no source", "sources:\n  - id: a\n", `muster.yaml:2:5: sources.0: source is missing: give the source of traffic, such as source: can0`},
		{"same source", "sources:\n  - source: can0\n  - source: can0\n", `muster.yaml:3:5: sources.1: "can0" is already the name of source 1: give each an id of its own`},
		{"source id", "sources:\n  - source: can0\n    id: a b\n", `muster.yaml:3:9: sources.0.id: "a b" must not hold spaces or slashes`},
		{"listen", "listen: here\n", `muster.yaml:1:9: listen: "here" is not host:port, such as 127.0.0.1:8632: write off for no pages`},
		{"open listen", "listen: :8632\n", `muster.yaml:1:9: listen: ":8632" can be reached from other computers: protect it with a token or TLS, or listen on 127.0.0.1:8632`},
		{"half a tls", "tls: {cert: a.pem}\n", `muster.yaml:1:6: tls: cert and key come together: give both or neither`},
		{"authority without tls", "tls: {client_ca: a.pem}\n", `muster.yaml:1:18: tls.client_ca: clients show a certificate over TLS only: give cert and key`},
		{"proxy", "proxies: [10.0.0.1, harbour]\n", `muster.yaml:1:10: proxies: "harbour" is neither an address nor a network: write 10.0.0.1 or 10.0.0.0/8`},
		{"level", "log: {level: loud}\n", `muster.yaml:1:14: log.level: "loud" is not one of error, warn, info, debug, trace`},
		{"format", "log: {format: pretty}\n", `muster.yaml:1:15: log.format: "pretty" is not one of auto, text, json`},
		{"threshold", "checks:\n  bus-load-high:\n    warning: 50\n    critical: 60\n", "muster.yaml:3:14: checks.bus-load-high.warning: 50 must be a share above 0 and up to 1, such as 0.5\n" +
			"muster.yaml:4:15: checks.bus-load-high.critical: 60 must be between bus-load-high.warning and 1"},
		{"accepted without a check", "accepted:\n  - why: on purpose\n", `muster.yaml:2:5: accepted.0: check is missing: give the id of the check whose alerts are accepted, such as multiple-sources`},
		{"accepted without a reason", "accepted:\n  - check: multiple-sources\n    why: \" \"\n", `muster.yaml:2:5: accepted.0: why is missing: give the reason for which it is accepted`},
		{"accepted by no check", "accepted:\n  - {check: loose-cable, why: it is}\n", `muster.yaml:2:13: accepted.0.check: there is no check "loose-cable": the alerts and deploy/muster.yaml show their ids`},
		{"one id for a unit", "same_as:\n  - [C0789100FA400C45]\n", `muster.yaml:2:5: same_as.0: 1 ids, not two: give the ids of two presences, such as [C0789100FA400C45, gps/GP]`},
		{"no id for a unit", "not_same_as:\n  - [C0789100FA400C45, the plotter]\n", `muster.yaml:2:5: not_same_as.0: "the plotter" is no id: write a NAME of 16 hex digits, network/address, line/letters, or the id of an entry by hand`},
		{"a unit and itself", "same_as:\n  - [gps/GP, gps/GP]\n", `muster.yaml:2:5: same_as.0: both ids are gps/GP: give those of two presences`},
		{"one unit and two", "same_as:\n  - [gps/GP, c0789100fa400c45]\nnot_same_as:\n  - [C0789100FA400C45, gps/GP]\n", `muster.yaml:4:5: not_same_as.0: same_as.0 has these two already: leave one out`},
		{"accepted twice", "accepted:\n  - {check: silent, device: a, why: spare}\n  - {check: silent, device: a, why: broken}\n", `muster.yaml:3:5: accepted.1: it is accepted already, by entry 1: leave one out`},
		{"accepted with an odd reason", "accepted:\n  - {check: silent, why: \"a\\e[31m\"}\n", `muster.yaml:2:26: accepted.0.why: "a\x1b[31m" must be up to 200 characters in one plain line`},
		{"duration", "checks:\n  every: soon\n", `muster.yaml:2:10: "soon" is not a time: write 10s, 5m or 2h`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Parse(t.Context(), "muster.yaml", []byte(tt.in))
			if err == nil {
				t.Fatal("accepted")
			}
			if d := cmp.Diff(tt.want, err.Error()); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestManufacturers(t *testing.T) {
	got, err := ParseManufacturers(t.Context(), "manufacturers.yaml", []byte("2001: Larkfin Marine\n2002: Gannet Instruments\n"))
	if d := cmp.Diff(map[uint16]string{2001: "Larkfin Marine", 2002: "Gannet Instruments"}, got); err != nil || d != "" {
		t.Errorf("%v %s", err, d)
	}
	_, err = ParseManufacturers(t.Context(), "manufacturers.yaml", []byte("2001: Larkfin Marine\n5000: Nobody\n"))
	if want := "manufacturers.yaml:2:7: 5000: a manufacturer code is 0 to 2047"; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("muster.yaml", "listen: 0.0.0.0:0\ntoken_file: token\nmaker_file: manufacturers.yaml\n")
	write("token", "0123456789abcdef\n")
	write("manufacturers.yaml", "2001: Larkfin Marine\n")
	c, err := Load(t.Context(), filepath.Join(dir, "muster.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if c.Token != "0123456789abcdef" || c.Manufacturers[2001] != "Larkfin Marine" {
		t.Errorf("got token %q, manufacturers %v", c.Token, c.Manufacturers)
	}
	if want := `:3:1: old key "maker_file": write "manufacturer_file" instead`; len(c.Warnings) != 1 || !strings.HasSuffix(c.Warnings[0].Error(), want) {
		t.Errorf("warnings %v, want %s", c.Warnings, want)
	}
	write("token", "short\n")
	if _, err := Load(t.Context(), filepath.Join(dir, "muster.yaml")); err == nil {
		t.Error("a token that can be guessed was accepted")
	}
}

// TestExample keeps the shipped example in step.
func TestExample(t *testing.T) {
	text, err := os.ReadFile("../../deploy/muster.yaml")
	if err != nil {
		t.Fatal(err)
	}
	c, err := Parse(t.Context(), "deploy/muster.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(Default().Checks, c.Checks); d != "" {
		t.Errorf("the example's checks are not the defaults: %s", d)
	}
	if d := cmp.Diff(Default().Alerts, c.Alerts); d != "" {
		t.Errorf("the example's alerts are not the defaults: %s", d)
	}
	var shown struct{ Checks map[string]any }
	if err := yaml.Unmarshal(text, &shown); err != nil {
		t.Fatal(err)
	}
	for key, own := range yamlKeys(check.Settings{}) {
		value, ok := shown.Checks[key]
		if !ok {
			t.Errorf("the example does not show checks.%s", key)
			continue
		}
		if own.Kind() != reflect.Struct {
			continue
		}
		thresholds, _ := value.(map[string]any)
		for threshold, typ := range yamlKeys(reflect.Zero(own).Interface()) {
			if typ.Kind() == reflect.Slice { // shown in a comment, for the default is none
				continue
			}
			if _, ok := thresholds[threshold]; !ok {
				t.Errorf("the example does not show checks.%s.%s", key, threshold)
			}
		}
	}
}

// yamlKeys are the keys of a struct, without those that every check has.
func yamlKeys(of any) map[string]reflect.Type {
	keys := map[string]reflect.Type{}
	if typ := reflect.TypeOf(of); typ != reflect.TypeFor[check.Common]() {
		for i := range typ.NumField() {
			if key, _, _ := strings.Cut(typ.Field(i).Tag.Get("yaml"), ","); key != "" && key != "-" {
				keys[key] = typ.Field(i).Type
			}
		}
	}
	return keys
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("boat: {id: wagtail}\nsources: [{source: can0}]\n"))
	f.Add([]byte("checks: {bus-load-high: {warning: 2}}"))
	f.Add([]byte("sources:\n - &a {source: x}\n - *a\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		_, _ = Parse(t.Context(), "muster.yaml", text)
		_, _ = ParseManufacturers(t.Context(), "manufacturers.yaml", text)
	})
}
