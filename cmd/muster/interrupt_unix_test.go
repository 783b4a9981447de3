//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestInterrupt: whenever Ctrl-C comes, what a command writes is whole or not there, and the program prints what it
// kept.
func TestInterrupt(t *testing.T) {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	sheets, err := filepath.Abs("../../deploy/sheets")
	if err != nil {
		t.Fatal(err)
	}
	layout, err := filepath.Abs("../../testdata/layouts/wagtail.yaml")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	long, before := filepath.Join(dir, "long.log"), filepath.Join(dir, "before.json")
	muster(t, "simulate", "fifty", "--to", long, "--for", "3m")
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "20s", "-o", before)
	later, visit := filepath.Join(dir, "later.json"), filepath.Join(dir, "visit.json")
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "30s", "-o", later)
	muster(t, "plan", before, "--sheets", sheets, "-o", visit)
	job, err := filepath.Abs("../../deploy/examples/job.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		out  string // "" for the standard output
		args []string
	}{
		{"sim.log", []string{"simulate", "fifty", "--to", "sim.log", "--for", "20m"}},
		{"sim.pcapng.zst", []string{"simulate", "demo", "--to", "sim.pcapng.zst", "--for", "20m"}},
		{"copy.log.gz", []string{"capture", long, "-o", "copy.log.gz"}},
		{"live.pcapng", []string{"capture", "udp:127.0.0.1:0", "-o", "live.pcapng"}},
		{"after.json", []string{"snapshot", long, "-o", "after.json"}},
		{"order.json", []string{"plan", before, "--sheets", sheets, "-o", "order.json"}},
		{"record.pdf", []string{"service-record", before, later, "--job", job, "-o", "record.pdf"}},
		{"kept.log.zst", []string{"snapshot", "sim:demo", "--ask", "--for", "20m", "-o", "kept.json", "--keep-capture", "kept.log.zst"}},
		{"state.json", []string{"follow", visit, "sim:demo", "--ask", "--for", "20m", "--before", before, "--state", "state.json"}},
		{"layout.pdf", []string{"backbone", layout, before, "-o", "layout.pdf"}},
		{"work.json", []string{"note", "add", "-f", "work.json", "--model", "VR2 radio", "--by", "Ana"}},
		{"shop.key", []string{"key", "new", "-o", "shop.key"}},
		{"", []string{"audit", long, "--format", "json"}},
	} {
		for _, after := range []time.Duration{0, 20 * time.Millisecond, 60 * time.Millisecond, 250 * time.Millisecond} {
			folder := t.TempDir()
			var stdout, stderr bytes.Buffer
			cmd := exec.CommandContext(t.Context(), program)
			cmd.Args, cmd.Dir, cmd.Stdout, cmd.Stderr = append([]string{"muster"}, tt.args...), folder, &stdout, &stderr
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			time.Sleep(after)
			_ = cmd.Process.Signal(syscall.SIGINT) // it may have ended
			_ = cmd.Wait()
			written := stdout.Bytes()
			if tt.out != "" {
				written, _ = os.ReadFile(filepath.Join(folder, tt.out))
			}
			if problem := broken(t, filepath.Join(folder, tt.out), written); problem != "" {
				t.Errorf("%s, interrupted after %v: %s\n%s", strings.Join(tt.args, " "), after, problem, stderr.String())
			}
			isCapture := !strings.HasSuffix(tt.out, ".json") && (tt.args[0] == "simulate" || tt.args[0] == "capture")
			if isCapture && written != nil && !strings.Contains(stderr.String(), "bytes in "+tt.out) {
				t.Errorf("%s, interrupted after %v, does not say what it kept: %s", strings.Join(tt.args, " "), after, stderr.String())
			}
			left, err := os.ReadDir(folder)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range left {
				if strings.HasPrefix(e.Name(), ".") {
					t.Errorf("%s, interrupted after %v, leaves %s", strings.Join(tt.args, " "), after, e.Name())
				}
			}
		}
	}
}

// broken is how a file is not whole; "" when it is, or when there is none.
func broken(t *testing.T, name string, text []byte) string {
	t.Helper()
	switch {
	case len(text) == 0 && filepath.Ext(name) == "":
		return "" // nothing printed
	case text == nil:
		return ""
	case strings.Contains(name, ".log"), strings.Contains(name, ".pcap"):
		if out := muster(t, "audit", name, "--format", "json"); strings.Contains(out, "damaged_records") {
			return "a record is damaged"
		}
	case strings.HasSuffix(name, ".pdf"):
		if !bytes.HasPrefix(text, []byte("%PDF")) || !bytes.HasSuffix(bytes.TrimSpace(text), []byte("%%EOF")) {
			return "the PDF is cut"
		}
	case strings.HasSuffix(name, ".json") && !strings.HasSuffix(name, "work.json"), filepath.Ext(name) == "":
		if !json.Valid(text) {
			return "the JSON is cut"
		}
	case len(text) == 0:
		return "the file is empty"
	}
	return ""
}

// TestInterruptedJob: a job whose opening or closing is interrupted, at whatever moment, has whole files that its ledger names and no others
// behind, says what it kept, and goes on from there when the command is given again.
func TestInterruptedJob(t *testing.T) {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	sheets, err := filepath.Abs("../../deploy/sheets")
	if err != nil {
		t.Fatal(err)
	}
	boat := []string{"sim:demo", "--ask", "--for", "55s", "--by", "Ana"}
	run := func(dir string, after time.Duration, args ...string) string {
		var stderr bytes.Buffer
		cmd := exec.CommandContext(t.Context(), program)
		cmd.Args, cmd.Dir, cmd.Stderr = append([]string{"muster", "job"}, args...), dir, &stderr
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if after > 0 {
			time.Sleep(after)
			_ = cmd.Process.Signal(syscall.SIGINT) // it may have ended
		}
		if err := cmd.Wait(); err != nil && after == 0 {
			t.Fatalf("job %s: %v: %s", strings.Join(args, " "), err, stderr.String())
		}
		return stderr.String()
	}
	for _, after := range []time.Duration{40, 150, 250, 350, 450, 600} {
		dir := t.TempDir()
		ledger := filepath.Join(dir, "visit", "ledger.jsonl")
		whole := func(step string) {
			t.Helper()
			if text, _ := os.ReadFile(ledger); len(text) == 0 {
				return // it had not begun
			}
			if out := muster(t, "job", "check", filepath.Join(dir, "visit"), "--signers-because", "closed without a key"); strings.Contains(out, "not part of the job") {
				t.Errorf("%s, interrupted after %d ms: %s", step, after, out)
			}
		}
		open := append([]string{"open", "visit", "--sheets", sheets, "--boat", "Wagtail"}, boat...)
		run(dir, after*time.Millisecond, open...)
		whole("open")
		if _, err := os.Stat(filepath.Join(dir, "visit", "order.json")); err != nil {
			run(dir, 0, open...)
		}
		said := run(dir, after*time.Millisecond, append(append([]string{"close", "visit", "--unsigned"}, boat...), "--for", "75s")...)
		whole("close")
		if text, _ := os.ReadFile(ledger); !bytes.Contains(text, []byte(`"kind":"closed"`)) {
			if said != "" && !strings.Contains(said, "interrupted before its end") {
				t.Errorf("close, interrupted after %d ms, says: %s", after, said)
			}
			run(dir, 0, append(append([]string{"close", "visit", "--unsigned"}, boat...), "--for", "75s")...)
		}
		whole("closed")
	}
}
