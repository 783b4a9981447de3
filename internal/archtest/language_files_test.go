package archtest

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// plainFiles are the files that people read as they are: documents, examples, units of systemd, rules, and what the programs print. Read-only.
var plainFiles = []struct {
	glob string
	cut  func(string) []string // into sentences and labels
}{
	{"README.md", prose}, {"deploy/docs/*.md", prose}, {"deploy/package/muster.yaml.5", manual}, {"deploy/metrics.md", lines},
	{"deploy/*.yaml", remarked}, {"deploy/*/*.yaml", remarked}, {"deploy/package/hub/*", remarked}, {"deploy/systemd/*", remarked},
	{"deploy/network/*", remarked}, {"internal/sim/scenarios/*.yaml", remarked},
	{"internal/check/testdata/*.golden", lines}, {"internal/pages/testdata/*/*.html", lines}, {"internal/fleet/pages/testdata/*/*.html", lines},
	{"internal/render/testdata/*.txt", lines}, {"internal/render/testdata/*.html", lines}, {"testdata/evidence/metrics-*.txt", lines},
}

// TestLanguageOfFiles: what people read outside the source keeps to the glossary. A sentence of an output may be longer where it lists names
// or values.
func TestLanguageOfFiles(t *testing.T) {
	for _, p := range plainFiles {
		files, err := filepath.Glob(filepath.Join("..", "..", p.glob))
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %d files, %v", p.glob, len(files), err)
		}
		for _, name := range files {
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			output := slices.Contains([]string{".html", ".txt", ".golden"}, filepath.Ext(name))
			for _, text := range p.cut(string(data)) {
				text = keyNames.ReplaceAllString(text, "x")
				for _, c := range complaints(text) {
					if !output || !strings.HasPrefix(c, "a sentence") {
						t.Errorf("%s: %s\n\t%s", name, c, text)
					}
				}
				for _, part := range inLists.Split(text, -1) {
					if n := len(strings.Fields(part)); output && n > longest {
						t.Errorf("%s: %d words without a comma, more than %d\n\t%s", name, n, longest, text)
					}
				}
			}
		}
	}
}

var (
	inLists  = regexp.MustCompile(`[.!?:;,·(](\s+|$)|\s\(`)
	notText  = regexp.MustCompile("(?s)<style.*?</style>|<script.*?</script>|<[^>]*>|```.*?```|`[^`]*`|&[a-z#0-9]+;|https?://\\S+")
	notProse = regexp.MustCompile(`^(## .*|[0-9A-F ]+|[$!][A-Z].*)$`)
	roff     = regexp.MustCompile(`^\.(TP|SH|TH).*|^\.\\".*|^\.[A-Z]{1,2} |\\f[BIR]|\\`)
	comment  = regexp.MustCompile(`(^|\s)# ?(.*)$`)
	textKey  = regexp.MustCompile(`^\s*(?:- )?(?:summary|remedy|description|story|title|cautions|work|why|Description)[:=]\s*(.*)$`)
	indented = regexp.MustCompile(`^\s+\S`)
)

// lines cuts an output at each line and element, without those that are traffic or the name of a case.
func lines(text string) []string {
	return slices.DeleteFunc(strings.Split(notText.ReplaceAllString(text, "\n"), "\n"), notProse.MatchString)
}

// prose joins the lines of a paragraph. Rows of tables, list items and headings are paragraphs.
func prose(text string) []string {
	var out []string
	begin := true
	for line := range strings.Lines(notText.ReplaceAllString(text, "x")) {
		switch plain := strings.TrimSpace(line); {
		case plain == "":
			begin = true
		case begin || strings.ContainsAny(plain[:1], "-|#"):
			out, begin = append(out, strings.ReplaceAll(plain, "|", ".")), false
		default:
			out[len(out)-1] += " " + plain
		}
	}
	return out
}

// manual is the text of a manual page.
func manual(text string) []string {
	var plain []string
	for line := range strings.Lines(text) {
		plain = append(plain, roff.ReplaceAllString(strings.TrimRight(line, "\n"), ""))
	}
	return prose(strings.Join(plain, "\n"))
}

// remarked is the text in a file of settings: comments of their own, comments behind a value, and the values that are sentences.
func remarked(text string) []string {
	var out []string
	own, block := false, false // the line before was a comment of its own; the lines are those of a long value
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, "\n")
		c := comment.FindStringSubmatch(line)
		alone := c != nil && strings.HasPrefix(strings.TrimSpace(line), "#")
		switch {
		case alone && own && !indented.MatchString(c[2]):
			out[len(out)-1] += " " + c[2]
		case c != nil:
			out = append(out, c[2])
		}
		own = alone
		if m := textKey.FindStringSubmatch(line); m != nil {
			block = strings.HasPrefix(m[1], ">") || strings.HasPrefix(m[1], "|")
			out = append(out, m[1])
		} else if block = block && indented.MatchString(line); block {
			out[len(out)-1] += " " + strings.TrimSpace(line)
		}
	}
	return out
}
