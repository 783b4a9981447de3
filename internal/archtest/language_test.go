package archtest

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"muster/internal/check"
)

// banned are words that the glossary replaces, each with what to use instead.
var banned = []struct{ word, use string }{
	{`anew`, "again, re-…"}, {`of late|seldom`, "recently, rarely"}, {`mend(ed|s)?`, "fix, repair"}, {`twins?`, "duplicate NAME"}, {`mute`, "sends no data"},
	{`heads?`, "display"}, {`makers?`, "manufacturer"}, {`aerials?`, "antenna"}, {`pilots?`, "autopilot"}, {`plugs?`, "connector"}, {`spurs?`, "drop cable"},
	{`leg`, "power feed"}, {`data wires?`, "NET-H / NET-L"}, {`roll[- ]call|the roll`, "units"}, {`told|tells?|telling`, "report, send, receive, notify"},
	{`spoken|speaks?|speaking`, "send"}, {`nobody`, "no device, or passive"}, {`held against`, "compare with"}, {`in the place of`, "instead of"},
	{`shut out|let in`, "revoke, enrol"}, {`remarks?`, "info"}, {`unsound`, "faulty"}, {`multi-?plexor`, "multiplexer"}, {`worked off`, "do a step"},
}

// subjects are parts of the ids of alerts, which stay what they are in stores: nobody reads them as text.
var subjects = []string{"power leg ", "%s maker %d class %d function %d instance %d.%d"}

// longest is the most words of a sentence.
const longest = 20

var (
	sentenceEnd = regexp.MustCompile(`[.!?:;](\s+|$)|\n`)
	placeholder = regexp.MustCompile(`\{[a-z]+\}|%[-+#0-9.\[\]]*[a-zA-Z]`)
	tightUnit   = regexp.MustCompile(`\b\d+(\.\d+)?(V|A|kbit/s|bit/s|ohm|baud|W|Hz|°C)\b`)
)

// complaints are what the glossary has against a text.
func complaints(text string) []string {
	var out []string
	plain := placeholder.ReplaceAllString(text, "x")
	for _, b := range banned {
		if m := regexp.MustCompile(`(?i)\b(` + b.word + `)\b`).FindString(plain); m != "" {
			out = append(out, fmt.Sprintf("%q: use %s", m, b.use))
		}
	}
	for _, s := range sentenceEnd.Split(plain, -1) {
		if n := len(strings.Fields(s)); n > longest {
			out = append(out, fmt.Sprintf("a sentence of %d words, more than %d", n, longest))
		}
	}
	if m := tightUnit.FindString(plain); m != "" {
		out = append(out, fmt.Sprintf("%q: put a space before the unit", m))
	}
	return out
}

// TestLanguageOfFindings: every text of the catalogue keeps to the glossary, and power is isolated before any other step.
func TestLanguageOfFindings(t *testing.T) {
	for _, id := range check.IDs() {
		text := check.TextOf(id)
		if text.Doc == "" || text.Term == "" || len(text.Cases) == 0 {
			t.Errorf("%s: no doc, term or cases", id)
		}
		say := func(where, s string) {
			for _, c := range complaints(s) {
				t.Errorf("%s: %s: %s\n\t%s", id, where, c, s)
			}
		}
		say("doc", text.Doc)
		for name, c := range text.Cases {
			say("summary "+strconv.Quote(name), c.Summary)
			if len(c.Remedy) == 0 {
				t.Errorf("%s: case %q has no remedy", id, name)
			}
			wiring := false
			for i, step := range c.Remedy {
				say(fmt.Sprintf("step %d of %q", i+1, name), step.Text)
				if !slices.Contains([]check.Class{check.Isolate, check.Measure, check.Look, check.Change}, step.Class) {
					t.Errorf("%s: step %d of %q has class %q", id, i+1, name, step.Class)
				}
				if step.Class == check.Isolate && i > 0 {
					t.Errorf("%s: case %q isolates power in step %d: do it first", id, name, i+1)
				}
				wiring = wiring || atWiring.MatchString(step.Text)
			}
			if wiring && len(c.Remedy) > 0 && c.Remedy[0].Class != check.Isolate {
				t.Errorf("%s: case %q works on the wiring without isolating power first", id, name)
			}
		}
	}
}

// atWiring finds steps at the power and data wiring.
var atWiring = regexp.MustCompile(`(?i)\b(terminators?|wires?|fuse|drop cables?|heavier cable|NET-H|power tee|tee)\b`)

// TestOneLabel: two keys of evidence have one label only where they are one concept, and the label is no key.
func TestOneLabel(t *testing.T) {
	for _, key := range []string{"at_least", "difference_s", "per_minute", "likely_baud", "measured_volts", "last_seen"} {
		label := check.EvidenceLabel(key)
		if strings.Contains(label, "_") {
			t.Errorf("the label of %s is %q", key, label)
		}
		for _, c := range complaints(label) {
			t.Errorf("the label of %s: %s", key, c)
		}
	}
}

// spokenTo lists the packages whose strings people read, by folder.
var spokenTo = []string{"internal/alert", "internal/check", "internal/snapshot", "internal/backbone", "internal/release"}

// TestLanguageOfStrings: help, flags, messages and errors in the source keep to the glossary. A literal counts when it has a space in it.
func TestLanguageOfStrings(t *testing.T) {
	for _, dir := range spokenTo {
		files, err := filepath.Glob(filepath.Join("..", "..", dir, "*.go"))
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %d files, %v", dir, len(files), err)
		}
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			fset := token.NewFileSet()
			file, err := parser.ParseFile(fset, name, nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(file, func(n ast.Node) bool {
				if f, ok := n.(*ast.Field); ok && f.Tag != nil {
					return false
				}
				lit, ok := n.(*ast.BasicLit)
				if !ok || lit.Kind != token.STRING {
					return true
				}
				if text, err := strconv.Unquote(lit.Value); err == nil && strings.Contains(text, " ") && !slices.Contains(subjects, text) && !strings.HasPrefix(text, "  muster") {
					for _, c := range complaints(text) {
						t.Errorf("%s: %s\n\t%s", fset.Position(lit.Pos()), c, text)
					}
				}
				return true
			})
		}
	}
}
