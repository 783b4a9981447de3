package main

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/pflag"

	"muster/internal/check"
)

// verbs are what may come after "muster" in a remedy beside a command.
var verbs = strings.Fields("itself listens lost moves started then with without")

// TestRemediesNameCommandsThatExist: a remedy names commands, flags and checks that there are.
func TestRemediesNameCommandsThatExist(t *testing.T) {
	commands, flags := map[string]bool{}, map[string]bool{}
	for _, c := range (&app{}).program().Commands() {
		commands[c.Name()] = true
		c.Flags().VisitAll(func(f *pflag.Flag) { flags["--"+f.Name] = true })
	}
	after, flag := regexp.MustCompile(`\bmuster ([a-z-]+)`), regexp.MustCompile(`--[a-z-]+`)
	ids, looksLike := check.IDs(), regexp.MustCompile(`\b[a-z]+-[a-z]+(?:-[a-z]+)* on the page`)
	named := 0
	for _, id := range ids {
		for _, c := range check.TextOf(id).Cases {
			for _, step := range c.Remedy {
				for _, m := range after.FindAllStringSubmatch(step.Text, -1) {
					if !slices.Contains(verbs, m[1]) && !commands[m[1]] {
						t.Errorf("%s: there is no command muster %s: %s", id, m[1], step.Text)
					}
				}
				for _, f := range flag.FindAllString(step.Text, -1) {
					named++
					if !flags[f] {
						t.Errorf("%s: there is no flag %s: %s", id, f, step.Text)
					}
				}
				for _, m := range looksLike.FindAllString(step.Text, -1) {
					if name, _, _ := strings.Cut(m, " "); !slices.Contains(ids, name) {
						t.Errorf("%s: there is no check %s: %s", id, name, step.Text)
					}
				}
			}
		}
	}
	if named == 0 {
		t.Error("no remedy names a flag")
	}
}
