package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// kernelControllers tests muster with real drivers: SJA1000 controllers on two emulated buses. These carry every
// frame at any bit rate and have no errors of their own; what needs those is tested by error frames on a virtual
// interface.
func kernelControllers(t *testing.T) {
	for _, c := range []struct {
		name, part string
		judge      func(t *testing.T, dir string)
	}{
		{"settings of the driver", "settings", settings},
		{"what the doctor finds and repairs", "doctor", doctored},
		{"down, renamed, removed and back", "away", awayAndBack},
		{"down, renamed, removed and back in the middle of a followed work order", "followaway", followedAway},
		{"two controllers on two buses", "twobuses", twoBuses},
		{"receive overflow", "overflow", overflow},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.judge(t, pcPart(t, c.part))
		})
	}
}

// canInterface is the output of ip -json for a CAN interface with -details.
type canInterface struct {
	LinkInfo struct {
		Data struct {
			State     string   `json:"state"`
			Modes     []string `json:"ctrlmode"`
			RestartMS int      `json:"restart_ms"`
			Timing    struct {
				BitRate     uint32 `json:"bitrate"`
				SamplePoint string `json:"sample_point"`
			} `json:"bittiming"`
		} `json:"info_data"`
	} `json:"linkinfo"`
}

func readInterface(t *testing.T, file string) canInterface {
	t.Helper()
	var all []canInterface
	if err := json.Unmarshal([]byte(content(t, file)), &all); err != nil || len(all) != 1 {
		t.Fatalf("%s: %v, %d interfaces", file, err, len(all))
	}
	return all[0]
}

// settings: the bit rate and the mode are the driver's, a wrong rate is found, and nothing is asked through an interface that only listens.
func settings(t *testing.T, dir string) {
	for name, want := range map[string][]string{"right": nil, "wrong": {"wrong-bit-rate"}} {
		r, judge := readReport(t, filepath.Join(dir, name+".json")), readInterface(t, filepath.Join(dir, name+".link")).LinkInfo.Data
		n := r.Networks[0]
		if n.BitRate != judge.Timing.BitRate || n.ListenOnly != slices.Contains(judge.Modes, "LISTEN-ONLY") || n.State != "active" {
			t.Errorf("%s: %d bit/s, listen-only %v, state %q; ip says %+v", name, n.BitRate, n.ListenOnly, n.State, judge)
		}
		if point := fmt.Sprintf("%.3f", n.SamplePoint); point != judge.Timing.SamplePoint || n.RestartMS == nil || int(*n.RestartMS) != judge.RestartMS {
			t.Errorf("%s: sample point %s, restart-ms %v; ip says %+v", name, point, n.RestartMS, judge)
		}
		var found []string
		for _, a := range r.Alerts {
			if a.Network == "can0" && a.Check == "wrong-bit-rate" {
				found = append(found, a.Check)
			}
		}
		if diff := cmp.Diff(want, found); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	if got := strings.TrimSpace(content(t, filepath.Join(dir, "wrong.status"))); got != "3" {
		t.Errorf("wrong bit rate, and nothing received: exit status %s, want 3", got)
	}
	status, told := strings.TrimSpace(content(t, filepath.Join(dir, "asked.status"))), content(t, filepath.Join(dir, "asked.err"))
	if status != "2" || !strings.Contains(told, "listen-only mode, so nothing can be asked") {
		t.Errorf("asking: exit status %s, %s", status, told)
	}
}

// awayAndBack: each time that the interface went it was reported once, and it was read again under the name that it
// has in the config.
func awayAndBack(t *testing.T, dir string) {
	var want []string
	for i := range 3 {
		want = append(want, "warn source lost can0", "info source is back can0")
		r := readReport(t, filepath.Join(dir, fmt.Sprintf("back%d.json", i+1)))
		if n := r.Networks[0]; n.State != "active" || n.Faults.SourceLost != uint64(i+1) || n.Frames != uint64(i+2) || n.BitRate != 250_000 || !n.ListenOnly {
			t.Errorf("back %d times: %+v", i+1, n)
		}
		if n := len(r.Devices); n != i+2 {
			t.Errorf("back %d times: %d devices, want %d", i+1, n, i+2)
		}
	}
	got := about(logged(t, filepath.Join(dir, "run.log")), "source lost", "source is back")
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if n := readReport(t, filepath.Join(dir, "removed.json")).Networks[0]; n.State != "down" {
		t.Errorf("removed: state %q", n.State)
	}
	r := readReport(t, filepath.Join(dir, "audit.json"))
	if n := r.Networks[0]; n.Faults.SourceLost != 3 || n.Frames != 4 || len(r.Devices) != 4 {
		t.Errorf("audit: lost %d times, %d frames, %d devices; want 3, 4 and 4", n.Faults.SourceLost, n.Frames, len(r.Devices))
	}
}

// followedAway: the loss of the source does not count as leaving, and the display is checked as if it had not been.
func followedAway(t *testing.T, dir string) {
	failedHead(t, dir)
	told := content(t, filepath.Join(dir, "follow.txt"))
	if strings.Count(told, "left the network") != 1 || strings.Count(told, "(LF9-41033) is back") != 1 {
		t.Errorf("muster says: %s", told)
	}
	if got := strings.TrimSpace(content(t, filepath.Join(dir, "status"))); got != "1" {
		t.Errorf("exit status %s, want 1", got)
	}
}

// twoBuses: each bus has its own frames and devices, also where two of these have one address.
func twoBuses(t *testing.T, dir string) {
	r := readReport(t, filepath.Join(dir, "report.json"))
	got := map[string][]string{}
	for _, n := range r.Networks {
		got[n.ID] = append(got[n.ID], fmt.Sprintf("%d frames at %d bit/s", n.Frames, n.BitRate))
	}
	for _, d := range r.Devices {
		got[d.Network] = append(got[d.Network], d.ID)
	}
	want := map[string][]string{"can0": {"1 frames at 250000 bit/s", "00F7CC40E0FF0001"}, "can1": {"2 frames at 250000 bit/s", "00F7CC40E0FF0002"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// overflow: a loss in the controller is counted as often as the kernel counts it, and is no error of the bus.
func overflow(t *testing.T, dir string) {
	n := readReport(t, filepath.Join(dir, "report.json")).Networks[0]
	var links []struct {
		Stats struct {
			RX struct {
				Packets uint64
				Over    uint64 `json:"over_errors"`
			}
		} `json:"stats64"`
	}
	if err := json.Unmarshal([]byte(content(t, filepath.Join(dir, "link.json"))), &links); err != nil || len(links) != 1 {
		t.Fatalf("the interface: %v, %+v", err, links)
	}
	// linux/can/error.h: class controller, with or without its counters; detail 1, receive overflow
	told := len(regexp.MustCompile(`2\w{6}4#0001`).FindAllString(content(t, filepath.Join(dir, "candump.log")), -1))
	if rx := links[0].Stats.RX; rx.Over != 2 || told != 2 || n.Faults.Dropped != 2 || n.Faults.ErrorFrames != 0 || n.Frames != 11 {
		t.Errorf("%d frames, %d dropped, %d error frames; ip says %+v, candump hears %d error frames", n.Frames, n.Faults.Dropped, n.Faults.ErrorFrames, rx, told)
	}
}
