// Package inputtest has files that are made to harm their reader, for tests of whatever reads files.
package inputtest

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
)

// Budget is what reading one file may allocate, in bytes.
const Budget = 64 << 20

// perByte bounds how often reading one byte may allocate, which represents the steps of a reader: no clock separates
// a slow one from a loaded computer. beside is what comes on top for a file of any size.
const perByte, beside = 4, 10_000

// longest is the longest that a reader may report of such a file, in bytes: 20 mistakes and a line about the others.
const longest = 8 << 10

// Read is a reader under test. Bombs that no format may take must come back with an error.
type Read func(text []byte) error

// YAML gives each bomb to a reader. It must come back with an error, or with a value if the bomb is a correct file,
// allocate less than Budget in no more steps than are in proportion to the text, and not repeat the text. Keys are some
// that the format has, so that bombs get behind the check for unknown keys.
func YAML(t *testing.T, read Read, keys ...string) {
	for name, text := range yamlBombs(keys) {
		t.Run(name, func(t *testing.T) { Try(t, text, refused(name), read) })
	}
}

// JSON is YAML for a reader of JSON.
func JSON(t *testing.T, read Read, keys ...string) {
	for _, share := range []int{1, 4} { // the smaller ones get below the limit of a request
		for name, text := range jsonBombs(keys, share) {
			t.Run(fmt.Sprintf("%s/%d", name, share), func(t *testing.T) { Try(t, text, refused(name), read) })
		}
	}
}

// refused reports whether no reader may take such a bomb: it is too deep, repeats a key, or is no YAML or JSON.
func refused(name string) bool {
	_, kind, _ := strings.Cut(name, "/")
	switch kind {
	case "nested brackets", "nested braces", "open brackets", "nested lists", "nested questions", "nested objects", "aliases", "aliases below",
		"repeated keys", "repeated keys below", "other case", "huge text", "documents", "bad", "open text", "second value":
		return true
	}
	return false
}

// Try gives one file to a reader and holds it to the bounds, and to an error if the file is to be refused.
func Try(t *testing.T, text string, refused bool, read Read) {
	t.Helper()
	var before, after runtime.MemStats
	data := []byte(text)
	runtime.ReadMemStats(&before)
	err := read(data)
	runtime.ReadMemStats(&after)
	if took := after.TotalAlloc - before.TotalAlloc; took > Budget {
		t.Errorf("reading %d bytes allocated %d, more than %d", len(text), took, Budget)
	}
	if steps, most := after.Mallocs-before.Mallocs, uint64(perByte*len(text)+beside); steps > most {
		t.Errorf("reading %d bytes allocated %d times, more than %d", len(text), steps, most)
	}
	if refused && err == nil {
		t.Error("it is taken")
	}
	if err != nil && len(err.Error()) > longest {
		t.Errorf("a mistake of %d bytes: %.200s…", len(err.Error()), err.Error())
	}
}

// many joins what f makes of 0 to n-1.
func many(n int, f func(i int) string) string {
	var b strings.Builder
	for i := range n {
		b.WriteString(f(i))
	}
	return b.String()
}

func yamlBombs(keys []string) map[string]string {
	bombs := map[string]string{}
	for _, key := range keys {
		add := func(name, text string) { bombs[key+"/"+name] = text }
		begin := key + ": "
		add("nested brackets", begin+strings.Repeat("[", 20_000)+strings.Repeat("]", 20_000))
		add("nested braces", begin+strings.Repeat("{"+begin, 10_000)+strings.Repeat("}", 10_000))
		add("open brackets", begin+strings.Repeat("[", 40_000))
		add("nested lists", strings.Repeat("- ", 20_000))
		add("nested keys", many(500, func(i int) string { return strings.Repeat(" ", i) + key + ":\n" }))
		add("nested questions", strings.Repeat("? ", 20_000))
		add("tags", begin+strings.Repeat("!x\n  ", 10_000))
		add("tags in a line", begin+strings.Repeat("!x ", 10_000))
		add("anchors", begin+strings.Repeat("&x ", 10_000))
		add("aliases", key+": &x0 [x, x]\n"+many(60, func(i int) string { return fmt.Sprintf("k%d: &x%d [*x%d, *x%d]\n", i, i+1, i, i) }))
		add("aliases below", key+":\n  - &x0 [x, x]\n"+many(45, func(i int) string { return fmt.Sprintf("  - &x%d [*x%d, *x%d]\n", i+1, i, i) }))
		add("merges", key+": &x {b: c}\n"+many(5000, func(i int) string { return fmt.Sprintf("k%d:\n  <<: *x\n", i) }))
		add("huge text", begin+strings.Repeat("word ", 200_000)+"\n")
		add("text", begin+strings.Repeat("word ", 100_000)+"\n")
		add("quoted text", begin+`"`+strings.Repeat(`\"`, 250_000)+"\"\n")
		add("single quoted text", begin+"'"+strings.Repeat(`''`, 250_000)+"'\n")
		add("open text", begin+`"`+strings.Repeat("x\n ", 150_000))
		add("lines", begin+"|\n"+strings.Repeat("  x\n", 120_000))
		add("folded lines", begin+">\n"+strings.Repeat("  x\n", 120_000))
		add("kept empty lines", begin+"|\n"+strings.Repeat("  word\n", 60_000)+strings.Repeat("\n", 30_000)+"b: c\n")
		add("few empty lines", begin+"|\n"+strings.Repeat("  word\n", 60_000)+strings.Repeat("\n", 8)+"b: c\n")
		add("spaces in lines", begin+"|\n"+strings.Repeat("  word\n", 30_000)+strings.Repeat("   \n", 30_000)+"b: c\n")
		add("empty lines", begin+"b\n"+strings.Repeat("\n", 500_000)+"c: d\n")
		add("comments", strings.Repeat("# x\n", 120_000)+begin+"b\n")
		add("comment", "# "+strings.Repeat("x", 500_000)+"\n"+begin+"b\n")
		add("keys", many(40_000, func(i int) string { return fmt.Sprintf("k%d: v\n", i) }))
		add("keys below", key+":\n"+many(10_000, func(i int) string { return fmt.Sprintf("  k%d: v\n", i) }))
		add("shifted keys", key+":\n"+many(12_000, func(i int) string { return fmt.Sprintf(" %s k%d: v\n", []string{"&x", "&xy"}[i%2], i) }))
		add("keys in braces", key+": {"+many(10_000, func(i int) string { return fmt.Sprintf("k%d: v, ", i) })+"}\n")
		add("maps of keys", key+":\n"+many(6, func(int) string {
			return "- k: v\n" + many(2100, func(i int) string { return fmt.Sprintf("  k%d: v\n", i) })
		}))
		add("long key", strings.Repeat("x", 400_000)+": b\n")
		add("path", strings.Repeat("x", 20_000)+":\n"+strings.Repeat(" - v\n", 15_000))
		add("paths", many(30, func(i int) string { return strings.Repeat(" ", i) + strings.Repeat("x", 250) + ":\n" })+
			many(5_000, func(int) string { return strings.Repeat(" ", 30) + "- v\n" }))
		add("repeated keys", strings.Repeat(begin+"b\n", 20_000))
		add("other case", begin+"b\n"+strings.ToUpper(key)+": b\n")
		add("repeated keys below", key+":\n"+strings.Repeat("  k: b\n", 20_000))
		add("entries", key+":\n"+strings.Repeat("  - x\n", 80_000))
		add("some entries", key+":\n"+strings.Repeat("  - x\n", 19_000))
		add("entries with a key", key+":\n"+many(5_000, func(i int) string { return fmt.Sprintf("  - source: can%d\n    id: n%d\n", i, i) }))
		add("wrong entries", key+":\n"+many(6_000, func(i int) string { return fmt.Sprintf("  - {at: %d, id: n%d}\n", i, i) }))
		add("empty entries", key+": ["+strings.Repeat("{},", 12_000)+"]\n")
		add("numbers", key+": ["+strings.Repeat("1,", 19_000)+"]\n")
		add("commas", key+": ["+strings.Repeat(",", 100_000)+"]\n")
		add("documents", strings.Repeat("---\n"+begin+"b\n", 20_000))
		add("document ends", strings.Repeat("...\n", 20_000))
		add("directives", strings.Repeat("%YAML 1.2\n", 20_000))
		add("angles", strings.Repeat("<", 400_000)+": x\n")
		add("dashes", strings.Repeat("-", 400_000))
		add("quotes", strings.Repeat(`"`, 100_000))
		add("colons", strings.Repeat("a: ", 20_000))
		add("returns", begin+"b"+strings.Repeat("\r", 300_000))
		add("tabs", key+":"+strings.Repeat("\t", 300_000)+"b")
		add("zeros", begin+strings.Repeat("\x00", 300_000))
		add("no text", begin+strings.Repeat("\xff", 300_000))
		add("digits", begin+strings.Repeat("9", 300_000))
		add("unknown key", strings.Repeat("y", 200)+": b\n")
		add("JSON", `{"`+key+`":`+strings.Repeat("[", 100_000))
	}
	return bombs
}

// jsonBombs are bombs of about 2 MB, or of a share of that.
func jsonBombs(keys []string, share int) map[string]string {
	bombs := map[string]string{}
	for _, key := range keys {
		add := func(name, text string) { bombs[key+"/"+name] = text }
		begin := `{"` + key + `":`
		add("nested lists", begin+strings.Repeat("[", 500_000/share)+strings.Repeat("]", 500_000/share)+"}")
		add("nested objects", strings.Repeat(begin, 200_000/share))
		add("wide list", begin+"["+strings.Repeat("{},", 600_000/share)+"{}]}")
		add("wide list of numbers", begin+"["+strings.Repeat("0,", 1_000_000/share)+"0]}")
		add("wide list of nothing", begin+"["+strings.Repeat("null,", 400_000/share)+"null]}")
		add("wide object", begin+"{"+many(150_000/share, func(i int) string { return fmt.Sprintf(`"k%d":0,`, i) })+`"z":0}}`)
		add("keys", "{"+many(150_000/share, func(i int) string { return fmt.Sprintf(`"k%d":0,`, i) })+`"z":0}`)
		add("repeated keys", "{"+strings.Repeat(`"`+key+`":null,`, 100_000/share)+`"z":0}`)
		add("other case", begin+`null,"`+strings.ToUpper(key)+`":null}`)
		add("long key", `{"`+strings.Repeat("x", 2_000_000/share)+`":0}`)
		add("long text", begin+`"`+strings.Repeat("x", 2_000_000/share)+`"}`)
		add("escapes", begin+`"`+strings.Repeat(`\u0041`, 300_000/share)+`"}`)
		add("open text", begin+`"`+strings.Repeat("x", 500_000/share))
		add("bad", strings.Repeat("x", 500_000/share))
		add("bad number", begin+strings.Repeat("9", 500_000/share)+"}")
		add("number", begin+strings.Repeat("9", 500_000/share)+"x}")
		add("spaces", strings.Repeat(" ", 2_000_000/share)+begin+"0}")
		add("second value", begin+"null}"+strings.Repeat(" {}", 300_000/share))
		add("lists of lists", begin+"["+strings.Repeat("[[[]]],", 200_000/share)+"[]]}")
	}
	return bombs
}
