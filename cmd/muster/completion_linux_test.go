package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// shell is an interactive shell on a pseudo-terminal.
type shell struct {
	t    *testing.T
	tty  *os.File
	said []byte
}

const (
	prompt = "ready> "
	wait   = time.Minute // for the shell's next output, so that one that hangs shows where
)

// start begins a shell in a folder with a few files. It has no settings but those of setup.
func start(t *testing.T, setup string, program string, args ...string) *shell {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { master.Close() })
	name, err := (&pty{master: master}).unlock()
	if err != nil {
		t.Fatal(err)
	}
	slave, err := os.OpenFile(name, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer slave.Close()
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "boats"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{"quay.log", "two words.log", "boats/before.json"} {
		if err := os.WriteFile(filepath.Join(dir, file), nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	muster(t, "note", "add", "-f", filepath.Join(dir, "notes.yaml"), "--model", "Larkfin Pemmo 4", "--by", "Ana")
	cmd := exec.CommandContext(t.Context(), program, args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "TERM=dumb", "INPUTRC=/dev/null", "HISTFILE=", "HOME="+dir, "COLUMNS=200")
	cmd.Stdin, cmd.Stdout, cmd.Stderr = slave, slave, slave
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	s := &shell{t: t, tty: master}
	s.write("PS1=" + prompt[:3] + "''" + strings.TrimSuffix(prompt[3:], "> ") + "'> '\n") // the line itself must not look like the prompt
	s.until(prompt)
	for line := range strings.Lines(setup) {
		s.write(line)
		s.until(prompt)
	}
	return s
}

func (s *shell) write(text string) {
	if _, err := s.tty.WriteString(text); err != nil {
		s.t.Fatal(err)
	}
}

// until reads the shell's output up to a text, and returns what was before it.
func (s *shell) until(text string) string {
	s.t.Helper()
	var buf [4096]byte
	for {
		if before, after, ok := bytes.Cut(s.said, []byte(text)); ok {
			s.said = bytes.Clone(after)
			return string(before)
		}
		_ = s.tty.SetReadDeadline(time.Now().Add(wait))
		n, err := s.tty.Read(buf[:])
		if err != nil {
			s.t.Fatalf("%v; the shell said %q, not %q", err, s.said, text)
		}
		s.said = append(s.said, buf[:n]...)
	}
}

// complete types a line and the tab key, and returns the line that came of it.
func (s *shell) complete(line string) string {
	s.t.Helper()
	s.write(line + "\t")
	s.write("\x01printf '\\074%s\\076\\n' '\x05'\n") // at the start of the line and at its end, so that the line is shown as <LINE>
	s.until("<")
	text := s.until(">")
	s.until(prompt)
	return text
}

// completions are typed in real shells.
var completions = []struct{ typed, want string }{
	{"muster aud", "muster audit"},
	{"muster note re", "muster note remove"},
	{"muster audit --fo", "muster audit --for"}, // --for, --format
	{"muster audit --form", "muster audit --format"},
	{"muster audit --format j", "muster audit --format json"},
	{"muster audit qu", "muster audit quay.log"},
	{"muster audit boats/b", "muster audit boats/before.json"},
	{"muster audit bo", "muster audit boats"},
	{"muster demo fi", "muster demo fifty"},
	{"muster schema alert", "muster schema alert-change"},
	{"muster compare boats/bef", "muster compare boats/before.json"},
	{"muster plan --sheets bo", "muster plan --sheets boats"},
	{"muster note add --role rada", "muster note add --role radar"},
	{"muster note remove -f notes.yaml n", "muster note remove -f notes.yaml n1"},
	{"muster completion po", "muster completion powershell"},
	{"muster audit sim:de", "muster audit sim:demo"}, // colons part words in bash
	{"muster audit two", `muster audit two\ words.log`},
}

// typed checks what a shell makes of each line. Whether a space or a slash follows is for the shell.
func typed(t *testing.T, s *shell) {
	for _, c := range completions {
		if got := s.complete(c.typed); strings.TrimRight(got, " /") != c.want {
			t.Errorf("%q became %q, want %q", c.typed, got, c.want)
		}
	}
}

// TestCompletionInBash presses the tab key in a real bash.
func TestCompletionInBash(t *testing.T) {
	need(t, "bash")
	const helpers = "/usr/share/bash-completion/bash_completion"
	if _, err := os.Stat(helpers); err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatal("bash-completion is not installed")
		}
		t.Skip("bash-completion is not installed")
	}
	typed(t, start(t, "bind 'set enable-bracketed-paste off'\n. "+helpers+"\n. <(muster completion bash)\n", "bash", "--norc", "--noprofile", "-i"))
}

// TestCompletionInZsh presses it in a real zsh.
func TestCompletionInZsh(t *testing.T) {
	need(t, "zsh")
	typed(t, start(t, "unsetopt zle_bracketed_paste prompt_cr prompt_sp\nautoload -U compinit; compinit -u -D\n. <(muster completion zsh)\n", "zsh", "-f", "-i"))
}

// TestCompletionInFish has a real fish list what it would offer.
func TestCompletionInFish(t *testing.T) {
	need(t, "fish")
	for line, want := range map[string]string{
		"muster aud": "audit\tList every device and report faults and mismatches\n", "muster audit --format ": "html\njson\njson-v1\ntext\n",
		"muster audit sim:de": "sim:demo\tsimulated boat\n", "muster schema alert": "alert-change\twhat a webhook receives for an alert\n",
	} {
		out, err := exec.CommandContext(t.Context(), "fish", "--no-config", "-c", "muster completion fish | source; complete -C '"+line+"'").CombinedOutput()
		if err != nil || string(out) != want {
			t.Errorf("%q: %v, %q, want %q", line, err, out, want)
		}
	}
}
