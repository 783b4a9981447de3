package archtest

import (
	"cmp"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"muster/internal/check"
)

// banned are words that the glossary replaces, each with what to use instead.
var banned = compileBanned([][2]string{
	{`anew`, "again, re-…"}, {`of late|seldom`, "recently, rarely"}, {`mend(ed|s)?`, "fix, repair"}, {`twins?`, "duplicate NAME"},
	{`mute`, "sends no data"}, {`heads?`, "display"}, {`makers?|vendors?`, "manufacturer"}, {`aerials?`, "antenna"}, {`pilots?`, "autopilot"},
	{`plugs?`, "connector, connect"}, {`spurs?`, "drop cable"}, {`leg`, "power feed"}, {`data wires?|the wire`, "NET-H / NET-L, backbone, line"},
	{`roll[- ]call|the roll`, "units"}, {`told|tells?|telling`, "report, send, receive, notify"}, {`spoken|speaks?|speaking`, "send"},
	{`says?|said|saying`, "report, show, give"}, {`hears?|unheard|(is|was|were)( not)? heard`, "receive"}, {`nobody`, "no device, or passive"},
	{`everybody|somebody|anybody|whom`, "name the person or device"}, {`held (against|to)`, "compare with"}, {`in the place of`, "instead of"},
	{`shut out|let in`, "revoke, enrol"}, {`remarks?`, "info"}, {`sound|unsound`, "reliable, faulty"}, {`multi-?plexor`, "multiplexer"},
	{`worked off`, "do a step"}, {`stands?|standing|stood`, "is, current, active"}, {`knows?`, "has, supports"}, {`bears?`, "is rated for"},
	{`wants?|wanted`, "needs, expected"}, {`proofs?|proves?|proved`, "verify, snapshots"}, {`gone`, "offline, not there"},
	{`aboard`, "on the boat"}, {`(kept|keeps?|set) (aside|back)|left alone`, "rejected, deferred"},
	{`suppl(y|ies)`, "network power, battery voltage"}, {`judges?|judging`, "check"}, {`boards?|machines?`, "boat computer, computer"},
	{`busy`, "bus load, in use"}, {`put right|what to do`, "remedy"}, {`ought|shall`, "must"}, {`must lie`, "must be"},
	{`takes? in|took (a message )?in|taken in`, "receive, store"}, {`broken sequences?`, "incomplete messages"}, {`contested`, "address conflict"},
	{`(is|are|be) well`, "OK"}, {`whole (boat|fleet|network|backbone)`, "all"}, {`vouch(es)?`, "sign"}, {`any more`, "no longer"},
	{`and ends?|then ends?|ends when`, "exit, stop"}, {`least (level|that)|the least`, "minimum"},
})

type bannedWord struct {
	word *regexp.Regexp
	use  string
}

func compileBanned(table [][2]string) []bannedWord {
	out := make([]bannedWord, len(table))
	for i, row := range table {
		out[i] = bannedWord{regexp.MustCompile(`(?i)\b(` + row[0] + `)\b`), row[1]}
	}
	return out
}

// longest is the most words of a sentence.
const longest = 20

var (
	sentenceEnd = regexp.MustCompile(`[.!?:;](\s+|$)|\n\s*\n|\t`)
	placeholder = regexp.MustCompile(`\{[a-z]+\}|%[-+#0-9.\[\]]*[a-zA-Z]`)
	tightUnit   = regexp.MustCompile(`\b\d+(\.\d+)?(V|A|kbit/s|bit/s|ohm|baud|W|Hz|°C|min|kn|GB)\b|\b\d+m\d+s\b`)
	onePlural   = regexp.MustCompile(`(?:^|[^0-9.,;] ?)\b1 (?:AIS |checksum |sentence |bus |error |dropped |incomplete |transport |standard |remote |invalid |damaged |time |garbled )?(?:errors|targets|devices|frames|units|boats|sentences|messages|lines|alerts|steps|updates|sources|findings|checks|networks|talkers|types|records|jumps|losses|lines without)\b`)
	dropAlone   = regexp.MustCompile(`(?i)(\b\w+[ -])?\bdrops?\b([ -]\w+)?`)
	codeLine    = regexp.MustCompile(`(?m)^ {2,}.*$`)
)

// complaints are what the glossary has against a text. Indented lines are examples of code, and are not read.
func complaints(text string) []string {
	var out []string
	text = codeLine.ReplaceAllString(text, "")
	plain := placeholder.ReplaceAllString(text, "x")
	for _, b := range banned {
		if m := b.word.FindString(placeholder.ReplaceAllString(text, " x ")); m != "" {
			out = append(out, fmt.Sprintf("%q: use %s", m, b.use))
		}
	}
	for _, m := range dropAlone.FindAllStringSubmatch(plain, -1) {
		if !strings.HasPrefix(strings.ToLower(m[1]), "voltage") && !strings.HasPrefix(strings.ToLower(strings.TrimLeft(m[2], " -")), "cable") {
			out = append(out, fmt.Sprintf("%q: use drop cable or voltage drop", m[0]))
		}
	}
	for _, s := range sentenceEnd.Split(plain, -1) {
		if n := len(strings.Fields(s)); n > longest {
			out = append(out, fmt.Sprintf("a sentence of %d words, more than %d", n, longest))
		}
	}
	if m := onePlural.FindString(plain); m != "" {
		out = append(out, fmt.Sprintf("%q: one is singular", m))
	}
	if m := tightUnit.FindString(plain); m != "" {
		out = append(out, fmt.Sprintf("%q: put a space before the unit", m))
	}
	return out
}

// TestLanguageOfFindings: every text of the catalogue keeps to the glossary; a remedy isolates first, then measures or looks, then changes.
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
				if safetyOrder[step.Class] == 0 {
					t.Errorf("%s: step %d of %q has class %q", id, i+1, name, step.Class)
				}
				if i > 0 && safetyOrder[step.Class] < safetyOrder[c.Remedy[i-1].Class] {
					t.Errorf("%s: step %d of %q is to %s, after a step to %s", id, i+1, name, step.Class, c.Remedy[i-1].Class)
				}
				wiring = wiring || atWiring.MatchString(step.Text)
			}
			if wiring && len(c.Remedy) > 0 && c.Remedy[0].Class != check.Isolate {
				t.Errorf("%s: case %q works on the wiring without isolating power first", id, name)
			}
		}
	}
}

// safetyOrder is the order of the steps of a remedy: danger first, and changes only after it is known what is wrong.
var safetyOrder = map[check.Class]int{check.Isolate: 1, check.Measure: 2, check.Look: 2, check.Change: 3}

// atWiring finds steps at the power and data wiring.
var atWiring = regexp.MustCompile(`(?i)\b(terminators?|wires?|fuse|drop cables?|heavier cable|NET-H|power tee|tee)\b`)

// TestOneLabel: a key of evidence has a label in the words of the glossary, a figure's label ends in its unit, and two keys share a label only
// where they are one concept.
func TestOneLabel(t *testing.T) {
	concepts := map[string]string{"last": "last seen", "last_seen": "last seen", "limit_volts": "limit", "minimum_volts": "limit", "maximum_volts": "limit"}
	unit := regexp.MustCompile(`_(s|ms|volts|amps|metres)$|^(volts|amps|metres|ohm|bit_rate)$`)
	keys := map[string]string{} // by label
	for _, key := range evidenceKeys(t) {
		label := check.EvidenceLabel(key)
		for _, c := range complaints(label) {
			t.Errorf("the label of %s: %s", key, c)
		}
		if unit.MatchString(key) && !strings.HasSuffix(label, ")") {
			t.Errorf("the label of %s has no unit: %q", key, label)
		}
		if other, ok := keys[label]; ok && (concepts[key] == "" || concepts[key] != concepts[other]) {
			t.Errorf("%s and %s have one label, %q", key, other, label)
		}
		keys[label] = key
	}
}

// evidenceKeys are the keys of evidence in the findings of the golden files, and those that have a label of their own.
func evidenceKeys(t *testing.T) []string {
	keys := map[string]bool{}
	for _, key := range check.LabelledKeys() {
		keys[key] = true
	}
	text, err := os.ReadFile("../check/testdata/words.golden")
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, m := range regexp.MustCompile(`(?m)^ +evidence: (.*)$`).FindAllSubmatch(text, -1) {
		var evidence map[string]any
		if err := json.Unmarshal(m[1], &evidence); err != nil {
			t.Fatal(err)
		}
		for key := range evidence {
			keys[key] = true
			found++
		}
	}
	if found == 0 {
		t.Fatal("no evidence in the golden file")
	}
	return slices.Sorted(maps.Keys(keys))
}

// spokenTo lists the packages whose strings people read, by folder.
var spokenTo = []string{
	"cmd/muster", "cmd/muster-hub", "internal/alert", "internal/api", "internal/backbone", "internal/boat", "internal/capture", "internal/check",
	"internal/cli", "internal/config", "internal/daemon", "internal/fleet", "internal/fleet/broker", "internal/fleet/hub", "internal/fleet/pages",
	"internal/fleet/trust", "internal/input", "internal/job", "internal/nmea0183", "internal/node", "internal/pages", "internal/release",
	"internal/render", "internal/report", "internal/sim", "internal/snapshot", "internal/store", "internal/tap", "internal/ui",
}

// notRead are literals that no person reads as text, each with its reason.
var notRead = map[string]string{
	"power leg x": "part of the ids of stored alerts", "all drops": "the same", "no supply": "the same", "supplies x": "the same",
	"%s maker %d class %d function %d instance %d.%d":                    "the same",
	"address-contested.claims: %d must be 1 or more":                     "the id of a check",
	"DROPCOUNT: dropped %d CAN frames on '%s' socket (total drops %d)\n": "a line of a candump log, as can-utils writes it",
	"notice said": "classes of the style sheet", "add-drop 0": "an action of a form", "add-drop x": "the same",
	"GET /proof": "a former address of pages", "GET /proof/": "the same",
}

// TestLanguageOfStrings: help, flags, messages, errors, labels and the documentation of JSON keys in the source keep to the glossary.
// A literal is text when it has a space in it or begins with a capital letter.
func TestLanguageOfStrings(t *testing.T) {
	for _, dir := range spokenTo {
		files, err := filepath.Glob(filepath.Join("..", "..", dir, "*.go"))
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %d files, %v", dir, len(files), err)
		}
		for _, name := range files {
			if !strings.HasSuffix(name, "_test.go") {
				languageOfFile(t, name)
			}
		}
	}
}

func languageOfFile(t *testing.T, name string) {
	fset := token.NewFileSet()
	file, err := parser.ParseFile(fset, name, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	say := func(pos token.Pos, text string) {
		if notRead[text] != "" {
			return
		}
		for _, c := range complaints(text) {
			t.Errorf("%s: %s\n\t%s", fset.Position(pos), c, text)
		}
	}
	parts := map[ast.Expr]bool{} // literals that were read as part of a sum
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.ImportSpec:
			return false
		case *ast.Field:
			if n.Tag != nil {
				tag, _ := strconv.Unquote(n.Tag.Value)
				say(n.Tag.Pos(), reflect.StructTag(tag).Get("doc"))
				return false
			}
		case *ast.BinaryExpr, *ast.BasicLit:
			if e := n.(ast.Expr); !parts[e] {
				if text, ok := joined(e, parts); ok && readAsText(text) {
					say(n.Pos(), text)
				}
			}
		}
		return true
	})
}

// joined is the text of a literal, or of a sum with a literal in it, in which x stands for what is not one.
func joined(e ast.Expr, parts map[ast.Expr]bool) (string, bool) {
	parts[e] = true
	switch e := e.(type) {
	case *ast.BasicLit:
		text, err := strconv.Unquote(e.Value)
		return text, e.Kind == token.STRING && err == nil
	case *ast.BinaryExpr:
		a, isA := joined(e.X, parts)
		b, isB := joined(e.Y, parts)
		if e.Op == token.ADD && (isA || isB) {
			return cmp.Or(a, "x") + cmp.Or(b, "x"), true
		}
	}
	return "", false
}

func readAsText(s string) bool {
	return strings.Contains(strings.TrimSpace(s), " ") || len(s) > 1 && unicode.IsUpper(rune(s[0]))
}
