package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"muster/internal/hosttest"
	"muster/internal/report"
)

// TestReloadByHangup: a running program takes its config file again on a hangup, also on one that comes while it is
// still reading it for the first time; a broken one leaves the present one in force. The config is a pipe, so that
// the test sees when it is read.
func TestReloadByHangup(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "muster.yaml")
	if err := syscall.Mkfifo(file, 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "muster", "run", "--config", file)
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	hangup := func() {
		t.Helper()
		if err := cmd.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
	}
	// give hands the next config over; meanwhile runs when the program has begun to read it.
	give := func(text string, meanwhile func()) {
		t.Helper()
		f, err := os.OpenFile(file, os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		meanwhile()
		if _, err := f.WriteString(text); err != nil {
			t.Fatal(err)
		}
	}
	nothing := func() {}
	common := fmt.Sprintf("state_dir: %s\nlog: {format: json}\n", dir)
	bow, stern := fmt.Sprintf("udp:239.74.163.2:%d", hosttest.Port(t)), fmt.Sprintf("udp:239.74.163.2:%d", hosttest.Port(t))
	type entry struct {
		Message, URL, Source, Error string
		Keys                        []string
	}
	lines := bufio.NewScanner(stderr)
	until := func(message string) (e entry) {
		t.Helper()
		for lines.Scan() {
			e = entry{}
			if err := json.Unmarshal(lines.Bytes(), &e); err != nil {
				t.Fatalf("%v: %s", err, lines.Text())
			}
			if strings.HasPrefix(e.Message, message) && !strings.HasPrefix(e.Message, "alert ") { // networks without traffic
				return e
			}
		}
		t.Fatalf("it never said %q", message)
		return e
	}
	networks := func(url string) int {
		t.Helper()
		resp, err := http.Get(url + "/api/v1/report")
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		var r report.Report
		if err := json.NewDecoder(resp.Body).Decode(&r); err != nil {
			t.Fatal(err)
		}
		return len(r.Networks)
	}

	give(common+"listen: 127.0.0.1:0\nsources: [{source: \""+bow+"\", id: bow}]\n", hangup)
	url := until("started").URL
	give(common+"listen: 127.0.0.1:0\nsources: [{source: \""+bow+"\", id: bow}]\n", nothing) // for the hangup while starting
	if e := until("config reloaded"); len(e.Keys) != 0 {
		t.Errorf("%+v", e)
	}
	hangup()
	give(common+"listen: off\nsources: [{source: \""+bow+"\", id: bow}, {source: \""+stern+"\", id: stern}]\n", nothing)
	if e := until("source begun"); e.Source != "stern" {
		t.Errorf("%+v", e)
	}
	if e := until("config reloaded"); !slices.Equal(e.Keys, []string{"listen"}) || !strings.Contains(e.Message, "after a restart") {
		t.Errorf("%+v", e)
	}
	hangup()
	give(common+"nonsense: 1\n", nothing)
	if e := until("config not reloaded"); !strings.Contains(e.Error, "muster.yaml:3:1") {
		t.Errorf("%+v", e)
	}
	// At the level error neither that a source ended nor that the config was reloaded is logged; at info the next
	// ones are.
	await := func(n int) {
		t.Helper()
		for i := 0; networks(url) != n; i++ {
			if i == 18_000 {
				t.Fatalf("%d networks, want %d", networks(url), n)
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	await(2)
	quiet := strings.Replace(common, "{format: json}", "{format: json, level: error}", 1)
	hangup()
	give(quiet+"listen: 127.0.0.1:0\nsources: [{source: \""+stern+"\", id: stern}]\n", nothing)
	await(1) // two writers at once would be one text to the reader
	hangup()
	give(common+"listen: 127.0.0.1:0\nsources: [{source: \""+stern+"\", id: stern}, {source: \""+bow+"\", id: bow2}]\n", nothing)
	if e := until(""); e.Message != "source begun" || e.Source != "bow2" {
		t.Errorf("%+v", e)
	}
	if e := until(""); e.Message != "config reloaded" || len(e.Keys) != 0 {
		t.Errorf("%+v", e)
	}
	hangup()
	give(common+"listen: 127.0.0.1:0\nsources: [{source: \""+stern+"\", id: stern}]\n", nothing)
	if e := until("source ended"); e.Source != "bow2" {
		t.Errorf("%+v", e)
	}
	until("config reloaded")
	if n := networks(url); n != 1 {
		t.Errorf("%d networks, want 1", n)
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	until("stopped")
	if err := cmd.Wait(); err != nil {
		t.Errorf("after a termination signal: %v", err)
	}
}
