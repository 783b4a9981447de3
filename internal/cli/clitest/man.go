// Package clitest holds a program's man page to its command line, for the tests of both programs.
package clitest

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/cli"
)

const (
	manBegin = ".SH COMMANDS\n"
	manEnd   = ".SH FILES\n"
)

// roff writes text that a man page shows as it is.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s
}

// manCommands are all subcommands with their arguments and flags.
func manCommands(p *cli.Program) string {
	var b strings.Builder
	b.WriteString(manBegin)
	p.Each(func(c *cli.Command) {
		fmt.Fprintf(&b, ".SS %s\n%s\n", roff(c.Path()), roff(c.Short))
		if detail, examples, _ := strings.Cut(c.Long, "Examples:\n"); c.Long != "" {
			for p := range strings.SplitSeq(strings.TrimSpace(detail), "\n\n") {
				manBlock(&b, p, strings.HasPrefix(p, "    "))
			}
			manBlock(&b, strings.Trim(examples, "\n"), true)
		}
		for _, a := range c.ArgLines() {
			fmt.Fprintf(&b, ".TP\n.I %s\n%s\n", roff(a.Name), roff(a.Help))
		}
		for _, f := range c.FlagLines() {
			name := roff(f.Name)
			if f.Short != "" {
				name = roff(f.Short) + ", " + name
			}
			fmt.Fprintf(&b, ".TP\n.B %s\n%s\n", name, roff(f.Help))
		}
	})
	return b.String()
}

// manBlock is a paragraph, or lines that stay as they are.
func manBlock(b *strings.Builder, text string, code bool) {
	if text == "" {
		return
	}
	b.WriteString(".PP\n")
	if code {
		b.WriteString(".nf\n")
	}
	for l := range strings.SplitSeq(text, "\n") {
		if l = roff(l); l != "" || code {
			b.WriteString(l + "\n")
		}
	}
	if code {
		b.WriteString(".fi\n")
	}
}

// ManPage wants the page to tell every subcommand and flag that there is, and no other; update writes it anew.
func ManPage(t *testing.T, p *cli.Program, file string, update bool) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	head, rest, ok := strings.Cut(string(text), manBegin)
	commands, tail, ok2 := strings.Cut(rest, manEnd)
	if !ok || !ok2 {
		t.Fatalf("%s has no %q before %q", file, manBegin, manEnd)
	}
	want := manCommands(p)
	if update {
		if err := os.WriteFile(file, []byte(head+want+manEnd+tail), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if d := cmp.Diff(want, manBegin+commands); d != "" {
		t.Errorf("the man page is not that of the program; go test ./cmd/... -run TestManPage -update-man writes it anew:\n%s", d)
	}
}

// Groff reads the page without a warning.
func Groff(t *testing.T, file string) {
	t.Helper()
	if _, err := exec.LookPath("groff"); err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatal("groff is not installed: Debian's package groff-base")
		}
		t.Skip("groff is not installed")
	}
	out, err := exec.Command("groff", "-man", "-Tutf8", "-Kutf8", "-ww", "-z", file).CombinedOutput()
	if err != nil || len(out) > 0 {
		t.Errorf("%v\n%s", err, out)
	}
}
