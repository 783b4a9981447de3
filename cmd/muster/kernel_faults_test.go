package main

import (
	"encoding/json"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
)

// logged are the lines of a daemon's log: level, message and what it is about.
func logged(t *testing.T, file string) (lines []string) {
	t.Helper()
	for line := range strings.Lines(content(t, file)) {
		var e struct{ Level, Message, Source, Alert, Severity string }
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("%s: %v: %s", file, err, line)
		}
		message, _, _ := strings.Cut(e.Message, ": ")
		about := e.Source + e.Alert
		if strings.HasPrefix(e.Message, "alert ") {
			about += " " + e.Severity
		}
		lines = append(lines, strings.TrimSpace(e.Level+" "+message+" "+about))
	}
	return lines
}

// about keeps the lines that end in or hold one of the words.
func about(lines []string, words ...string) (kept []string) {
	for _, l := range lines {
		if slices.ContainsFunc(words, func(w string) bool { return strings.Contains(l, w) }) {
			kept = append(kept, l)
		}
	}
	return kept
}

// unplugged: an adapter behind the kernel's slcan and one behind muster's own serial port are lost and come back twice. Each is logged
// once, raises an alert that clears, and is read again; the third network is read all the while.
func unplugged(t *testing.T, dir string) {
	type network struct {
		state  string
		lost   uint64
		alerts string
	}
	seen := func(name string) (map[string]network, uint64) {
		r := readReport(t, filepath.Join(dir, name+".json"))
		all, frames := map[string]network{}, uint64(0)
		for _, n := range r.Networks {
			x := network{state: n.State, lost: n.Faults.SourceLost}
			for _, a := range r.Alerts {
				if a.ID == "silent:"+n.ID {
					x.alerts = string(a.State)
				}
			}
			all[n.ID] = x
			if n.ID == "other" {
				frames = n.Frames
			}
		}
		return all, frames
	}
	heard := uint64(0)
	for _, step := range []struct {
		name, bus, port, alert string
		lost                   uint64
	}{{"before", "active", "", "", 0}, {"away1", "down", "down", "open", 1}, {"back1", "active", "", "cleared", 1}, {"away2", "down", "down", "open", 2}, {"back2", "active", "", "cleared", 2}} {
		got, frames := seen(step.name)
		want := map[string]network{"interface": {step.bus, step.lost, step.alert}, "port": {step.port, step.lost, step.alert}, "other": {"", 0, ""}}
		if diff := cmp.Diff(want, got, cmp.AllowUnexported(network{})); diff != "" {
			t.Errorf("%s: %s", step.name, diff)
		}
		if frames <= heard {
			t.Errorf("%s: %d frames on the other network, before %d", step.name, frames, heard)
		}
		heard = frames
	}
	lines := logged(t, filepath.Join(dir, "run.log"))
	for _, source := range []string{"interface", "port"} {
		var want []string
		for range 2 {
			want = append(want, "warn source lost "+source, "info source is back "+source)
		}
		got := about(lines, "source lost "+source, "source is back "+source)
		if diff := cmp.Diff(want, got[:min(len(want), len(got))]); diff != "" { // again at the end, when the adapter goes first
			t.Error(diff)
		}
	}
	if got := about(lines, " other"); len(got) > 0 {
		t.Errorf("about the other network: %q", got)
	}
}

// busOff: candump reads the same error frames as a bus-off and a restart; muster reports it, and clears the alert by
// itself.
func busOff(t *testing.T, dir string) {
	judge := content(t, filepath.Join(dir, "candump.txt"))
	if !strings.Contains(judge, "bus-off") || !strings.Contains(judge, "restarted-after-bus-off") {
		t.Fatalf("candump: %s", judge)
	}
	for _, step := range []struct{ name, state, alert string }{
		{"off", "bus-off", "critical open"}, {"restarted", "active", "warning open"}, {"later", "active", "warning cleared"},
	} {
		r := readReport(t, filepath.Join(dir, step.name+".json"))
		got := ""
		if i := slices.IndexFunc(r.Alerts, func(a alert.Alert) bool { return a.Check == "bus-off" }); i >= 0 {
			got = string(r.Alerts[i].Severity) + " " + string(r.Alerts[i].State)
		}
		if n := r.Networks[0]; n.State != step.state || n.Faults.BusOff != 1 || got != step.alert {
			t.Errorf("%s: %s, %d times off, alert %q", step.name, n.State, n.Faults.BusOff, got)
		}
	}
	want := []string{"warn alert raised bus-off:can22 critical", "info alert regraded bus-off:can22 warning", "info alert cleared bus-off:can22 warning"}
	if diff := cmp.Diff(want, about(logged(t, filepath.Join(dir, "run.log")), "bus-off")); diff != "" {
		t.Error(diff)
	}
}

// fullCard: a daemon whose card was full from the start received a device, and kept it when there was room.
func fullCard(t *testing.T, dir string) {
	want := []string{"error jobs are closed without a key", "error the store cannot be written; muster goes on listening and keeps everything in memory", "info the store is written again", "info stopped"}
	got := slices.DeleteFunc(logged(t, filepath.Join(dir, "run.log")), func(l string) bool {
		return l == "info started" || strings.Contains(l, " alert ") // that comes sooner or later than the store's first write; alerts when this takes long
	})
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	full, second := readReport(t, filepath.Join(dir, "full.json")), readReport(t, filepath.Join(dir, "second.json"))
	const id = "00F7CC40E0FF0001"
	if full.Device(id) == nil || second.Device(id) == nil || full.Device(id).FirstSeen != second.Device(id).FirstSeen {
		t.Errorf("the device: %+v, at the second start %+v", full.Device(id), second.Device(id))
	}
}
