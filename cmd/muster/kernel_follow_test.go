package main

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/release"
	"muster/pgn"
)

// workScenario is the demo boat's displays, sonar and battery with nothing but the update of the flybridge display,
// as soon as that has sent often enough to be missed. A part plays it at twice the clock's speed. The display is away
// for as long as a slow computer may need to see it.
func workScenario() ([]byte, error) {
	text, err := os.ReadFile("../../internal/sim/scenarios/demo.yaml")
	if err != nil {
		return nil, err
	}
	boat, rest, found := strings.Cut(string(text), "\ndevices:\n")
	rest, _, lines := strings.Cut(rest, "\nlines:")
	if !found || !lines {
		return nil, errors.New("the demo has no devices, or no lines after them")
	}
	boat += "\ndevices:\n"
	for device := range strings.SplitSeq(rest, "  - id: ") {
		switch id, _, _ := strings.Cut(device, "\n"); id {
		case "helm-display", "flybridge-display", "sonar", "radar", "house-battery":
			boat += "  - id: " + device
		}
	}
	return []byte(boat + `
timeline:
  - {at: 58s, do: sag, volts: 2.2, for: 190s}
  - {at: 60s, do: update, device: flybridge-display, for: 160s, software: "4.52", factory_defaults: true}
`), nil
}

// followed: muster saw the display leave, was started again while it was away, and reports what the display came back
// without.
func followed(t *testing.T, dir string) {
	steps := failedHead(t, dir)
	last, back := absence(t, filepath.Join(dir, "candump.log"), steps[0].Device, steps[0].Now)
	if off := steps[0].BackAt.Sub(back).Abs(); off > time.Microsecond { // which candump cuts off
		t.Errorf("back at %s, candump heard its claim at %s", steps[0].BackAt, back)
	}
	if left := steps[0].LeftAt; left.Sub(last) < -time.Microsecond || left >= back {
		t.Errorf("left at %s, candump last heard it at %s", left, last)
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

// failedHead expects the display to have come back without its settings, and the other step to wait for it.
func failedHead(t *testing.T, dir string) []release.StepStatus {
	t.Helper()
	order, err := release.ParseOrder(t.Context(), []byte(content(t, filepath.Join(dir, "order.json"))))
	if err != nil {
		t.Fatal(err)
	}
	f, err := release.Restore(t.Context(), order, []byte(content(t, filepath.Join(dir, "work.json"))))
	if err != nil {
		t.Fatal(err)
	}
	steps := f.Status()
	if len(steps) != 3 {
		t.Fatalf("%d steps, want 3", len(steps))
	}
	var reasons []string
	for _, x := range steps[0].Failures {
		reasons = append(reasons, string(x.Reason))
	}
	head, _ := json.Marshal(steps[0])
	if s := &steps[0]; s.State != release.StepFailed || s.Version != "4.52" || s.Now == "" || s.Now == s.Device || s.Attempt != 1 ||
		strings.Join(reasons, " ") != "instance-changed installation-lost installation-lost low-voltage" {
		t.Errorf("the head's step is %s", head)
	}
	for _, s := range steps[1:] {
		if s.State != release.StepWaiting {
			t.Errorf("step %s is %s", s.Step, s.State)
		}
	}
	return steps
}

// absence finds in a candump log when a device last sent under a NAME before it claimed an address under another, and
// when it did that.
func absence(t *testing.T, file, name, now string) (last, back event.Time) {
	t.Helper()
	address := uint8(pgn.Null)
	for _, e := range frames(t, file) {
		id := pgn.ID(e.Frame.ID)
		n, _ := pgn.DecodeNAME(e.Frame.Data[:])
		switch {
		case id.PGN() == 60928 && n.String() == now:
			return last, e.Time
		case id.PGN() == 60928 && n.String() == name:
			address = id.Source()
			fallthrough
		case id.Source() == address:
			last = e.Time
		}
	}
	t.Fatalf("%s: %s never claimed an address", file, now)
	return 0, 0
}
