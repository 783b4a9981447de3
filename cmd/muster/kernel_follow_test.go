package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"muster/internal/release"
)

// workScenario is the demo boat with nothing but the update of its flybridge head, as soon as the head has been heard often enough to be
// missed. The guest plays it at three times the clock's speed.
func workScenario(t *testing.T) []byte {
	t.Helper()
	text, err := os.ReadFile("../../internal/sim/scenarios/demo.yaml")
	if err != nil {
		t.Fatal(err)
	}
	boat, _, found := bytes.Cut(text, []byte("\ntimeline:"))
	if !found {
		t.Fatal("the demo has no timeline")
	}
	return append(boat, `
timeline:
  - {at: 58s, do: sag, volts: 2.2, for: 60s}
  - {at: 60s, do: update, device: flybridge-head, for: 45s, software: "4.52", factory_defaults: true}
`...)
}

// followed: muster saw the head leave, was started anew while it was away, and says what the head came back without.
func followed(t *testing.T, dir string) {
	order, err := release.ParseOrder([]byte(content(t, filepath.Join(dir, "order.json"))))
	if err != nil {
		t.Fatal(err)
	}
	f, err := release.Restore(order, []byte(content(t, filepath.Join(dir, "work.json"))))
	if err != nil {
		t.Fatal(err)
	}
	steps := f.Status()
	if len(steps) != 2 {
		t.Fatalf("%d steps, want 2", len(steps))
	}
	var reasons []string
	for _, x := range steps[0].Failures {
		reasons = append(reasons, string(x.Reason))
	}
	head, _ := json.Marshal(steps[0])
	if s := &steps[0]; s.State != release.StepFailed || s.Version != "4.52" || s.Now == "" || s.Now == s.Device || s.Attempt != 1 ||
		strings.Join(reasons, " ") != "instance-changed installation-lost installation-lost supply-low" {
		t.Errorf("the head's step is %s", head)
	}
	if away := steps[0].BackAt.Sub(steps[0].LeftAt).Seconds(); away < 14 || away > 19 { // and up to 10 s/3 of silence before
		t.Errorf("away for %.1f s, want 15", away)
	}
	if s := &steps[1]; s.State != release.StepWaiting {
		t.Errorf("the sonar's step is %s", s.State)
	}
	first, second := content(t, filepath.Join(dir, "first.txt")), content(t, filepath.Join(dir, "second.txt"))
	if !strings.Contains(first, "(LF9-41033) left the network") || strings.Contains(first, "is back") {
		t.Errorf("before the restart: %s", first)
	}
	if strings.Contains(second, "(LF9-41033) left the network\n") || !strings.Contains(second, "(LF9-41033) is back") {
		t.Errorf("after the restart: %s", second)
	}
	if got := strings.TrimSpace(content(t, filepath.Join(dir, "status"))); got != "1" {
		t.Errorf("exit status %s, want 1", got)
	}
}
