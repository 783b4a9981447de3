package cli

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/pflag"
)

var update = flag.Bool("update", false, "write the golden files anew")

// galley is a small program with a subcommand of each shape.
type galley struct {
	ran     string
	pot     string
	spices  []string
	minutes int
	kind    string
	lid     bool
}

func (g *galley) program(out *bytes.Buffer) *Program {
	g.kind, g.pot, g.minutes = "soup", "kettle", 10
	did := func(what string) func() error {
		return func() error { g.ran = what; return nil }
	}
	return New(Command{Name: "galley", Long: "Cooks.\n\nA line that is long enough to be wrapped on any terminal, which has eighty columns at the least, as everybody knows who has seen one.",
		Commands: []Command{
			{Name: "cook", Short: "Cook a meal.", Run: did("cook"),
				Long: "Ends when it is done.\nThis line goes on in the paragraph of the one before.\n\nExamples:\n\n    galley cook kettle salt --minutes 5\n\n" +
					"The order of work:\n\n    1. light the stove, which needs gas, matches, a steady hand and more patience than most people bring along\n    2. cook",
				Args: []Arg{{Name: "pot", Help: "What to cook in.", One: &g.pot}, {Name: "spice", Help: "What to add.", Many: &g.spices, Optional: true, Words: Fixed("salt", "pepper")}},
				Flags: func(f *pflag.FlagSet) {
					f.VarP(Int(&g.minutes, "N"), "minutes", "m", "How long, which is a matter of taste and of how much gas is left in the bottle below.")
					f.Var(Choice(&g.kind, "KIND", "soup", "stew"), "a-kind-of-dish-with-a-name", "soup or stew.")
					f.BoolVar(&g.lid, "lid", false, "Keep the lid on.")
					Env(f, "minutes", "GALLEY_MINUTES")
				}},
			{Name: "wash", Short: "Wash up.", Commands: []Command{
				{Name: "pots", Short: "Wash the pots.", Run: did("pots"), Args: []Arg{{Name: "pot", Help: "Which.", One: &g.pot, Optional: true}},
					Flags: func(f *pflag.FlagSet) {
						f.Var(Text(&g.kind, "KIND"), "soap", "With what.")
						Require(f, "soap")
					}},
				{Name: "hands", Short: "Wash the hands.", Run: did("hands")},
			}},
		}}, out)
}

func TestRun(t *testing.T) {
	for _, tt := range []struct {
		args string
		want galley
	}{
		{"cook a", galley{ran: "cook", pot: "a", minutes: 10, kind: "soup"}},
		{"cook --lid a -m5 salt -- --pepper", galley{ran: "cook", pot: "a", minutes: 5, kind: "soup", lid: true, spices: []string{"salt", "--pepper"}}},
		{"cook a -m=5 --a-kind-of-dish-with-a-name=stew -", galley{ran: "cook", pot: "a", minutes: 5, kind: "stew", spices: []string{"-"}}},
		{"cook cook cook", galley{ran: "cook", pot: "cook", minutes: 10, kind: "soup", spices: []string{"cook"}}},
		{"wash pots --soap pots", galley{ran: "pots", pot: "kettle", minutes: 10, kind: "pots"}},
		{"wash hands", galley{ran: "hands", pot: "kettle", minutes: 10, kind: "soup"}},
	} {
		var g galley
		var out bytes.Buffer
		if err := g.program(&out).Run(strings.Fields(tt.args)); err != nil || out.Len() > 0 {
			t.Errorf("%s: %v, %s", tt.args, err, &out)
		}
		if d := cmp.Diff(tt.want, g, cmp.AllowUnexported(galley{})); d != "" {
			t.Errorf("%s (-want +got)\n%s", tt.args, d)
		}
	}
}

func TestMistakes(t *testing.T) {
	t.Setenv("GALLEY_MINUTES", "")
	if err := os.Unsetenv("GALLEY_MINUTES"); err != nil {
		t.Fatal(err)
	}
	for args, want := range map[string]string{
		"":                           `expected one of "cook", "wash", "completion", "version" | galley --help shows what there is`,
		"wash":                       `expected one of "pots", "hands" | galley wash --help shows what there is`,
		"cok":                        `unknown subcommand "cok", did you mean "cook"? | galley --help shows what there is`,
		"sail":                       `unknown subcommand "sail" | galley --help shows what there is`,
		"wash pot":                   `unknown subcommand "pot", did you mean "pots"? | galley wash --help shows what there is`,
		"cook":                       `missing argument: <pot> | galley cook --help shows what there is`,
		"wash pots":                  `missing flag: --soap=KIND | galley wash pots --help shows what there is`,
		"wash pots a b":              `unexpected argument "b" | galley wash pots --help shows what there is`,
		"wash hands a":               `unexpected argument "a" | galley wash hands --help shows what there is`,
		"cook a --minuets 5":         `unknown flag --minuets, did you mean "--minutes"? | galley cook --help shows what there is`,
		"cook a --Minutes 5":         `unknown flag --Minutes, did you mean "--minutes"? | galley cook --help shows what there is`,
		"cook a -minutes 5":          `--minutes: "inutes" is not a whole number | galley cook --help shows what there is`,
		"cook a -lid":                `unknown flag -l in -lid, did you mean "--lid"? | galley cook --help shows what there is`,
		"cook a -x":                  `unknown flag -x | galley cook --help shows what there is`,
		"cook a --=5":                `"--=5" is no flag | galley cook --help shows what there is`,
		"cook a --minutes":           `--minutes: the value is missing: N | galley cook --help shows what there is`,
		"cook a -m":                  `--minutes: the value is missing: N | galley cook --help shows what there is`,
		"cook a -m --lid":            `--minutes: the value, N, is missing before --lid; if that is the value, write --minutes=--lid | galley cook --help shows what there is`,
		"cook a -m 5 --minutes=5":    `--minutes: it is given twice, and takes one N | galley cook --help shows what there is`,
		"cook a --lid=perhaps":       `--lid: "perhaps" is neither true nor false | galley cook --help shows what there is`,
		"cook a --no-lid":            `unknown flag --no-lid | galley cook --help shows what there is`,
		"--lid cook a":               `unknown flag --lid | galley --help shows what there is`,
		"help sail":                  `unknown subcommand "sail" | galley --help shows what there is`,
		"help cook a":                `unexpected argument "a" | galley cook --help shows what there is`,
		"completion tcsh":            `there is no completion for "tcsh" | take one of bash, zsh, fish, powershell`,
		"completion":                 `missing argument: <shell> | galley completion --help shows what there is`,
		"version now":                `unexpected argument "now" | galley version --help shows what there is`,
		"cook --minutes 5 --frob -h": ``,
		"cook --frob --version":      ``,
	} {
		var g galley
		var out, told bytes.Buffer
		err := g.program(&out).Run(strings.Fields(args))
		if want == "" {
			if err != nil || out.Len() == 0 {
				t.Errorf("%s: %v, %s", args, err, &out)
			}
			continue
		}
		if err == nil {
			t.Errorf("%s: no error, want %s", args, want)
			continue
		}
		Print(&told, err, "")
		if got := strings.NewReplacer("error: ", "", "\nhint: ", " | ", "\n", "").Replace(told.String()); got != want || out.Len() > 0 || g.ran != "" {
			t.Errorf("%s: %s\nwant %s; said %q, ran %q", args, got, want, &out, g.ran)
		}
	}
}

func TestEnvironment(t *testing.T) {
	for _, tt := range []struct {
		env, args string
		want      int
		err       string
	}{{"7", "cook a", 7, ""}, {"7", "cook a -m 5", 5, ""}, {"x", "cook a -m 5", 5, ""}, {"x", "cook a", 10, `GALLEY_MINUTES in the environment: "x" is not a whole number`}} {
		t.Setenv("GALLEY_MINUTES", tt.env)
		var g galley
		err := g.program(&bytes.Buffer{}).Run(strings.Fields(tt.args))
		if g.minutes != tt.want || (err == nil) != (tt.err == "") || err != nil && err.Error() != tt.err {
			t.Errorf("%s %s: %d, %v", tt.env, tt.args, g.minutes, err)
		}
	}
}

// TestErrorsPass: what a subcommand says comes back as it is.
func TestErrorsPass(t *testing.T) {
	burnt := errors.New("burnt")
	p := New(Command{Name: "galley", Commands: []Command{{Name: "cook", Run: func() error { return burnt }}}}, &bytes.Buffer{})
	if err := p.Run([]string{"cook"}); err != burnt {
		t.Errorf("%v", err)
	}
}

func TestHelp(t *testing.T) {
	for _, columns := range []string{"80", "60", "200"} {
		t.Setenv("COLUMNS", columns)
		for name, args := range map[string]string{"galley": "--help", "cook": "cook -h", "pots": "help wash pots", "wash": "wash --help"} {
			var g galley
			var out bytes.Buffer
			if err := g.program(&out).Run(strings.Fields(args)); err != nil {
				t.Errorf("%s: %v", args, err)
			}
			width := map[string]int{"80": 80, "60": 60, "200": 100}[columns]
			for line := range strings.Lines(out.String()) {
				if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > width && strings.Contains(line[:width], " ") {
					t.Errorf("%s at %s: %d columns: %s", args, columns, n, line)
				}
				if strings.TrimRight(line, " \n") != strings.TrimRight(line, "\n") {
					t.Errorf("%s at %s: ends with a space: %q", args, columns, line)
				}
			}
			if columns != "80" {
				continue
			}
			golden := filepath.Join("testdata", name+".txt")
			if *update {
				if err := errors.Join(os.MkdirAll("testdata", 0o755), os.WriteFile(golden, out.Bytes(), 0o644)); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(string(want), out.String()); d != "" {
				t.Errorf("%s (-want +got)\n%s", args, d)
			}
		}
	}
}

func TestDidYouMean(t *testing.T) {
	names := []string{"format", "for", "fail-on", "ask", "sheets", "config", "version"}
	for typed, want := range map[string]string{"frmat": "format", "formta": "format", "fro": "for", "sheet": "sheets", "failon": "fail-on", "vers": "version",
		"frob": "", "x": "", "z": "", "as": "", "colour": "", "confgi": "config", "FORMAT": "format"} {
		got := didYouMean(typed, "", names)
		if want != "" {
			want = `, did you mean "` + want + `"?`
		}
		if got != want {
			t.Errorf("%s: %q, want %q", typed, got, want)
		}
	}
}

// FuzzRun: whatever is typed, the answer is an error of one line, or none; and completing it does not fail.
func FuzzRun(f *testing.F) {
	for _, s := range []string{"cook a", "cook a -m 5", "wash pots --soap", "--", "-", "cook -mm", "cook --minutes=", "help wash", "-é", "--=", "cook -m-5 \x00", "__complete cook ", "cook - -- -", "wash pots -h pot", "cook -m5 "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, line string) {
		words := strings.Split(line, " ")
		if strings.HasPrefix(words[0], "__complete") {
			return
		}
		var g galley
		var out, told bytes.Buffer
		if err := g.program(&out).Run(words); err != nil {
			Print(&told, err, "")
			if n := strings.Count(told.String(), "\n"); n != 2 || !strings.HasPrefix(told.String(), "error: ") {
				t.Errorf("%q: %q", line, &told)
			}
		}
		out.Reset()
		if err := new(galley).program(&out).Run(append([]string{"__complete"}, words...)); err != nil || !strings.Contains(out.String(), ":") {
			t.Errorf("complete %q: %v, %q", line, err, &out)
		}
	})
}
