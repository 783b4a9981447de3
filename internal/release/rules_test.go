package release

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/check"
)

func found(t *testing.T, s *Sheets, r *boat.State) []string {
	t.Helper()
	out := []string{}
	for _, f := range check.Judge(Rules(s), r, start, nil).Findings {
		out = append(out, f.Check+": "+f.Summary)
		if len(f.Steps) == 0 || f.Subject == "" || len(f.Devices) == 0 || len(f.Evidence) == 0 || !slices.IsSorted(f.Devices) {
			t.Errorf("%+v is not complete", f)
		}
	}
	return out
}

func TestRulesTable(t *testing.T) {
	rules := Rules(sheets(t, model("A", "2.0", "")))
	for i, r := range rules {
		if r.Severity.Rank() == 0 || r.Check == nil || i > 0 && rules[i-1].ID >= r.ID {
			t.Errorf("%+v", r)
		}
	}
}

func TestRules(t *testing.T) {
	const withdrawn = "    family: f\n    match: {model: A}\n    numbering: {scheme: dotted}\n    releases: [{version: 1.0}, {version: 1.5, withdrawn: loses routes}, {version: 2.0}, {version: 2.1, withdrawn: never starts}]\n    medium: {kind: network}\n    minutes: 5\n"
	s := sheets(t, "  - name: A\n"+withdrawn, model("B", "2.0", needs("A", "2.0")), model("C", "2.0", "    family: f\n"))
	for _, tt := range []struct {
		name   string
		aboard []string
		want   []string
	}{
		{"all current", []string{"A 2.0", "B 2.0", "C 2"}, nil},
		{"no sheet", []string{"X 1.0"}, nil},
		{"behind", []string{"A 1.0"}, []string{"software-behind: A at address 10 runs 1.0; the current release is 2.0"}},
		{"newer than the sheet", []string{"A 3.0"}, nil},
		{"withdrawn and behind", []string{"A 1.5"}, []string{"software-behind: A at address 10 runs 1.5; the current release is 2.0, and 1.5 was withdrawn: loses routes"}},
		{"withdrawn and ahead", []string{"A 2.1"}, []string{"software-behind: A at address 10 runs 2.1, which was withdrawn: never starts"}},
		{"companion too old", []string{"A 1.0", "B 2.0"}, []string{
			"companion-too-old: B at address 11 at 2.0 needs A at least 2.0; A at address 10 runs 1.0",
			"software-behind: A at address 10 runs 1.0; the current release is 2.0"}},
		{"companion of the same age", []string{"A 2.0", "B 1.0"}, []string{"software-behind: B at address 11 runs 1.0; the current release is 2.0"}},
		{"companion not aboard", []string{"B 2.0"}, nil},
		{"order unknown", []string{"A new"}, []string{`order-unknown: A at address 10: "new" is not dotted: the version does not have the form of the sheet's numbering`}},
		{"other letters", []string{"A rc2.0"}, []string{`order-unknown: A at address 10: "rc2.0" and "2.0": the versions begin with different letters`}},
		{"no version", []string{"A "}, []string{"order-unknown: A at address 10 has not reported its software version"}},
		{"companion in no order", []string{"A new", "B 2.0"}, []string{`order-unknown: A at address 10: "new" is not dotted: the version does not have the form of the sheet's numbering`}},
		{"family differs", []string{"A 2.0", "C 1.0"}, []string{
			"software-behind: C at address 11 runs 1.0; the current release is 2.0",
			"software-differs: Release family f differs: A at address 10 2.0, C at address 11 1.0"}},
		{"one model differs", []string{"C 2.0", "C 1.0"}, []string{"software-behind: C at address 11 runs 1.0; the current release is 2.0"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := stateOf(tt.aboard...)
			if tt.name == "companion too old" {
				needy := sheets(t, "  - name: A\n"+withdrawn, model("B", "2.0", needs("A", "2.0")))
				if d := cmp.Diff(tt.want, found(t, needy, r)); d != "" {
					t.Error(d)
				}
			}
			if d := cmp.Diff(append([]string{}, tt.want...), found(t, s, r)); d != "" {
				t.Error(d)
			}
			for i := range r.Devices {
				r.Devices[i].State = boat.Gone
			}
			r.FindUnits(nil, 0)
			if got := found(t, s, r); len(got) > 0 {
				t.Errorf("of devices that are gone: %v", got)
			}
		})
	}
}

// Devices entered by hand take part and are marked.
func TestRulesByHand(t *testing.T) {
	fs := check.Judge(Rules(examples(t)), sampled(), start, nil).Findings
	i := slices.IndexFunc(fs, func(f check.Finding) bool { return f.Subject == "manual-1" })
	if i < 0 {
		t.Fatalf("nothing about the device entered by hand: %v", fs)
	}
	f := fs[i]
	if f.Check != "software-behind" || !strings.Contains(f.Summary, "entered by hand") || f.Evidence["entered_by_hand"] != true || f.Evidence["by"] != "Ines" ||
		f.Evidence["at"] != "2026-06-01T07:00:00Z" || f.Evidence["version"] != "B2" || f.Evidence["current"] != "D" {
		t.Errorf("%+v", f)
	}
}

func TestRulesCanBeSet(t *testing.T) {
	rules := Rules(sheets(t, model("A", "2.0", "")))
	set := check.DefaultSettings()
	set.SoftwareBehind.Severity = check.Critical
	if got := check.Judge(rules, stateOf("A 1.0"), start, &set).Findings; len(got) != 1 || got[0].Severity != check.Critical {
		t.Errorf("%v", got)
	}
	set.SoftwareBehind.Off = true
	if got := check.Judge(rules, stateOf("A 1.0"), start, &set).Findings; len(got) > 0 {
		t.Errorf("%v", got)
	}
}

func TestAssess(t *testing.T) {
	got := []string{}
	for _, a := range examples(t).Assess(sample()) {
		got = append(got, fmt.Sprintf("%s: %s %s", a.Unit.Label, a.Standing, a.Running))
	}
	want := []string{
		"Larkfin LF12 display (L12-0001): behind 4.40",
		"Larkfin LF9 display (L9-0001): behind 4.47",
		"Larkfin LF9 display (L9-0002): current 4.50",
		"Gannet SD2 sounder (manual-1): behind B2",
		"Larkfin Olbo 30 sonar (S3-0001): behind 2.9.0",
		"Larkfin Pemmo 4 transducer (T1-0001): behind 1.3",
		"Gannet W1 vane (W-1): no-sheet ",
		"Sanderling Tavrik 7 monitor (B-77): behind 20250301",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func BenchmarkRules(b *testing.B) {
	rules := Rules(examples(b))
	for _, n := range []int{1, 10, 50, 252} {
		r := sampled()
		r.Devices = r.Devices[:0]
		for i := range n {
			kind := []string{"Larkfin LF9 display", "Larkfin Olbo 30 sonar"}[i%2]
			r.Devices = append(r.Devices, device(i, 2001, boat.RoleOther, kind, fmt.Sprint(i), []string{"4.40", "2.9.0"}[i%2]))
		}
		b.Run(fmt.Sprint(n, "-devices"), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				check.Judge(rules, r, start, nil)
			}
		})
	}
}
