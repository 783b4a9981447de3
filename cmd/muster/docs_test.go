package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"muster/deploy"
)

// documents are the pages whose commands people type.
func documents(t *testing.T) []string {
	t.Helper()
	pages, err := filepath.Glob("../../deploy/docs/*.md")
	if err != nil || len(pages) < 11 {
		t.Fatalf("%d pages, %v", len(pages), err)
	}
	return append(pages, "../../README.md")
}

// typedIn are the commands of a page in their order: those of a person, each with the output that the page
// shows, and those of root.
func typedIn(page string) (user, root []command) {
	for _, block := range regexp.MustCompile("(?s)```console\n(.*?)```").FindAllStringSubmatch(page, -1) {
		list := &user
		for line := range strings.Lines(block[1]) {
			line = strings.TrimRight(line, "\n")
			switch {
			case strings.HasPrefix(line, "$ "):
				list = &user
				*list = append(*list, command{text: line[2:]})
			case strings.HasPrefix(line, "# "):
				list = &root
				*list = append(*list, command{text: line[2:]})
			case len(*list) > 0:
				last := &(*list)[len(*list)-1]
				last.shown = append(last.shown, line)
			}
		}
	}
	return user, root
}

type command struct {
	text  string
	shown []string // of its output
}

// stays are the programs that run until they are stopped, each with the path that answers when it is up.
var stays = regexp.MustCompile(`^(muster demo|muster run|muster-hub run)\b`)

// TestDocuments runs the commands of each page as a person types them, one page after the other in a folder of
// its own. A capture of the demo's boat is
// in the place of the interface, which cannot be asked; programs that stay are started, and stopped at the end
// of the page.
func TestDocuments(t *testing.T) {
	if testing.Short() {
		t.Skip("builds both programs")
	}
	bin := t.TempDir()
	build := exec.CommandContext(t.Context(), "go", "build", "-o", bin, ".", "../muster-hub")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	muster(t, "simulate", "demo", "--to", filepath.Join(bin, "quay.log"), "--for", "75s")
	muster(t, "simulate", "demo", "--to", filepath.Join(bin, "later.log"), "--for", "6m")
	for _, file := range documents(t) {
		t.Run(filepath.Base(file), func(t *testing.T) {
			user, _ := typedIn(readAll(t, file))
			dir := t.TempDir()
			script := "set -u\ntrap 'kill $(jobs -p) 2>/dev/null' EXIT\n"
			for i, c := range user {
				script += fmt.Sprintf("exec >%d.out 2>&1\n%s\necho $? >%d.status\n", i, played(t, c.text), i)
			}
			first, later := filepath.Join(bin, "quay.log"), filepath.Join(bin, "later.log")
			copied := exec.Command("cp", "-r", "../../deploy", first, later, dir)
			if out, err := copied.CombinedOutput(); err != nil {
				t.Fatalf("%v: %s", err, out)
			}
			run := exec.CommandContext(t.Context(), "bash", "-c", script)
			run.Dir = dir
			run.Env = append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"), "XDG_CONFIG_HOME="+dir, "HOME="+dir, "USER=ana")
			if out, err := run.CombinedOutput(); err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			for i, c := range user {
				out := readAll(t, filepath.Join(dir, fmt.Sprintf("%d.out", i)))
				status := readAll(t, filepath.Join(dir, fmt.Sprintf("%d.status", i)))
				if s := strings.TrimSpace(status); s != "0" && s != "1" || strings.Contains(out, "error:") {
					t.Errorf("%s: exit status %s\n%s", c.text, s, out)
				}
				for _, line := range c.shown {
					if line != "…" && !strings.Contains(out, line+"\n") {
						t.Errorf("%s does not print %q but\n%s", c.text, line, out)
					}
				}
			}
		})
	}
}

// played is a command as the test can run it; after the work the boat is received for longer.
func played(t *testing.T, text string) string {
	t.Helper()
	received := "quay.log"
	switch {
	case strings.HasPrefix(text, "muster run"):
		received = "sim:demo"
	case strings.HasPrefix(text, "muster doctor"):
		received = "can0" // there or not
	case strings.Contains(text, "job close"), strings.Contains(text, "-o after.json"):
		received = "later.log"
	}
	text = strings.NewReplacer("go run ./cmd/muster ", "muster ", "can0", received, " --ask", "").Replace(text)
	// So that other programs on this computer are not asked.
	text = strings.ReplaceAll(text, "127.0.0.1:8632", address(t, "muster"))
	text = strings.ReplaceAll(text, "127.0.0.1:8633", address(t, "hub"))
	text = strings.ReplaceAll(text, "127.0.0.1:4222", address(t, "boats"))
	program := stays.FindString(text)
	if program == "" || strings.Contains(text, "--check") {
		return text
	}
	at := address(t, "muster")
	listen := " --listen " + at
	if program == "muster-hub run" {
		at = address(t, "hub")
		listen = " --listen " + at + " --boats-listen " + address(t, "boats")
	}
	return text + listen + " &\ncurl -sf -o /dev/null --retry 100 --retry-delay 1 --retry-all-errors " +
		"http://" + at + "/-/healthy"
}

// addresses are free ones of this computer, by the test and what listens there.
var addresses = map[string]string{}

func address(t *testing.T, what string) string {
	t.Helper()
	key := t.Name() + " " + what
	if addresses[key] == "" {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		addresses[key] = l.Addr().String()
	}
	return addresses[key]
}

// TestDocumentsOfRoot: what a page has root do is a shell's, uses programs of Debian's, and names files that
// the package brings.
func TestDocumentsOfRoot(t *testing.T) {
	programs := "adduser apt cp echo install ip journalctl systemctl"
	packed := readAll(t, "../../deploy/package/nfpm.yaml")
	seen := 0
	for _, file := range documents(t) {
		_, root := typedIn(readAll(t, file))
		for _, c := range root {
			seen++
			if out, err := exec.Command("sh", "-n", "-c", c.text).CombinedOutput(); err != nil {
				t.Errorf("%s: %s: %s", file, c.text, out)
			}
			for part := range strings.SplitSeq(c.text, "&&") {
				if name, _, _ := strings.Cut(strings.TrimSpace(part), " "); !strings.Contains(" "+programs+" ", " "+name+" ") {
					t.Errorf("%s: %s: there is no %s", file, c.text, name)
				}
			}
			for _, path := range regexp.MustCompile(`/usr/share/doc/\S+`).FindAllString(c.text, -1) {
				if !strings.Contains(packed, "dst: "+path) {
					t.Errorf("%s: the package has no %s", file, path)
				}
			}
		}
	}
	if seen < 8 {
		t.Errorf("only %d commands of root were found", seen)
	}
}

// TestDocumentsLead: each link of a page leads to a file that is there, each topic has a page, and each command
// that goes deeper names one.
func TestDocumentsLead(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^)#]+)(?:#[^)]*)?\)`)
	for _, file := range append(documents(t), "../../deploy/examples/ledger.md", "../../deploy/examples/snapshot.md") {
		for _, m := range link.FindAllStringSubmatch(readAll(t, file), -1) {
			if _, err := os.Stat(filepath.Join(filepath.Dir(file), m[1])); err != nil && !strings.Contains(m[1], "://") {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
	pages, commands := map[string]bool{}, (&app{}).program()
	for _, topic := range deploy.Topics() {
		text := muster(t, "help", topic.Name)
		if !strings.HasPrefix(text, "# ") || strings.Contains(text, "](") {
			t.Errorf("muster help %s prints %.60q, or a link", topic.Name, text)
		}
		pages[topic.Name] = true
	}
	for _, c := range commands.Commands() {
		if topic := topicOf[c.Name()]; topic != "" && !pages[topic] {
			t.Errorf("muster %s names the topic %s, which is not there", c.Name(), topic)
		}
	}
	for _, file := range documents(t) {
		name := strings.TrimSuffix(filepath.Base(file), ".md")
		if name != "README" && !pages[name] {
			t.Errorf("%s is no topic of muster help", file)
		}
	}
}
