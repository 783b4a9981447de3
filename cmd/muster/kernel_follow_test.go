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

// workScenarios are the demo boat's displays, sonar and battery, whole and in parts: the flybridge display before its update, after it, and the
// rest, whose voltage is low. A part plays them together. The display is away from when the part ends the first until it starts the second,
// so that it comes back only after muster has seen it leave, however slow the computer is.
func workScenarios() (map[string]string, error) {
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
	display, others := "", ""
	for device := range strings.SplitSeq(rest, "  - id: ") {
		switch id, _, _ := strings.Cut(device, "\n"); id {
		case "flybridge-display":
			display = "  - id: " + strings.TrimSpace(device) + "\n"
		case "helm-display", "sonar", "radar", "house-battery":
			others += "  - id: " + strings.TrimSpace(device) + "\n"
		}
	}
	updated := strings.NewReplacer(`"4.47"`, `"4.52"`, "    instance: 1\n", "", "    installation: [Flybridge, Wagtail]\n", "").Replace(display)
	return map[string]string{
		"work.yaml":    boat + others + display,
		"others.yaml":  boat + others + "timeline:\n  - {at: 1s, do: sag, volts: 2.2, for: 24h}\n",
		"display.yaml": boat + display,
		"updated.yaml": boat + updated,
	}, nil
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
