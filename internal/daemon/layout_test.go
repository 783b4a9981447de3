package daemon

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/alert"
)

// A backbone of the simulated boat: one terminator, a radio that is not there, and depth, which is.
const someLayout = `
segments:
  - {from: bow, to: helm, length: 4 m, cable: micro}
  - {from: helm, to: stern, length: 4 m, cable: micro}
tees:
  - at: helm
    drops:
      - {device: helm display, model: Larkfin LF9 display, load: 6}
      - {device: radio, model: Gannet VR1 radio, load: 2}
terminators: [bow]
power: [{at: helm, voltage: 12.6 V}]
coverage: [{quantity: depth}]
`

func write(t *testing.T, file, text string) string {
	t.Helper()
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// TestLayoutAlerts: what a layout breaks, and where it differs from the network, become alerts of the boat.
func TestLayoutAlerts(t *testing.T) {
	opt := simulated(t, "demo")
	opt.Config.Layout = []string{write(t, filepath.Join(t.TempDir(), "layout.yaml"), someLayout)}
	opt.Config.Sources[0].Ask = true
	r, err := Replay(t.Context(), opt, 7*time.Minute, nil)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, a := range r.Alerts {
		if slices.Contains([]string{"terminator", "missing", "new-device", "load-too-high"}, a.Check) && a.State != alert.StatusCleared {
			got = append(got, a.Summary)
		}
	}
	text := strings.Join(got, "\n")
	for _, want := range []string{"The end stern of the backbone has 0 terminators", "radio is in the layout at helm but not on the network",
		"Larkfin LP7 pilot (LP7-15077) is on the network but not in the layout", "The devices report load equivalency 34 (layout: 8)"} {
		if !strings.Contains(text, want) {
			t.Errorf("no alert says %q in\n%s", want, text)
		}
	}
	if strings.Contains(text, "sends depth") || strings.Contains(text, "helm display is planned") {
		t.Errorf("too much in\n%s", text)
	}
}

// TestLayoutReload: a layout that cannot be used leaves the present one in force; a good one takes its place.
func TestLayoutReload(t *testing.T) {
	file := filepath.Join(t.TempDir(), "layout.yaml")
	opt := keptOptions(t, t.TempDir(), network(t0, "can0", true))
	opt.Config.Layout = []string{write(t, file, someLayout)}
	d, _ := aboard(t, opt)
	length := func() float64 { return d.model.view.Load().plans[0].Now(d.Report()).Length.Value }
	if !d.model.watch.Runs("terminator") || length() != 8 {
		t.Fatalf("%g m", length())
	}
	c := d.opt.Config
	write(t, file, strings.Replace(someLayout, "to: stern", "to: bow", 1))
	if _, err := d.Reload(t.Context(), c); err == nil || !strings.Contains(err.Error(), "layout.yaml:3:5: segment 1 (bow to helm): the segments form a loop") {
		t.Errorf("a loop: %v", err)
	}
	if length() != 8 {
		t.Errorf("the broken layout is in force: %g m", length())
	}
	write(t, file, strings.Replace(someLayout, "4 m", "6 m", 1))
	if _, err := d.Reload(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	if length() != 10 {
		t.Errorf("the better layout is not in force: %g m", length())
	}
	c.Layout = nil
	if _, err := d.Reload(t.Context(), c); err != nil || len(d.model.view.Load().plans) > 0 {
		t.Errorf("%v, %d layouts without any", err, len(d.model.view.Load().plans))
	}
}

// TestLayoutAdrift: a layout whose network is not there is reported in the log, once.
func TestLayoutAdrift(t *testing.T) {
	var log strings.Builder
	opt := simulated(t, "demo")
	opt.Log = zerolog.New(&log)
	opt.Config.Layout = []string{write(t, filepath.Join(t.TempDir(), "layout.yaml"), "network: can7"+someLayout)}
	d, err := New(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Stop()
	r, err := Replay(t.Context(), simulated(t, "demo"), 2*time.Minute, nil)
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		d.model.known.logPlans(r, d.log)
	}
	if n := strings.Count(log.String(), `"why":"network \"can7\" was not received: write one of n2k"`); n != 1 {
		t.Errorf("told %d times in\n%s", n, log.String())
	}
}
