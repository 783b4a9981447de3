package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/report"
)

// TestKernelControllers holds muster against real drivers: SJA1000 controllers on two emulated wires. These carry every frame at any bit
// rate and have no errors of their own; what needs those is judged by error frames on a virtual interface.
func TestKernelControllers(t *testing.T) {
	for _, c := range []struct {
		name, part string
		judge      func(t *testing.T, dir string)
	}{
		{"settings of the driver", "settings", settings},
		{"two wires", "wires", wires},
		{"overrun of the controller", "overrun", overrun},
		{"down, renamed, removed and back", "away", awayAndBack},
		{"removed and back while a work order is followed", "replug", replugged},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.judge(t, pcPart(t, c.part))
		})
	}
}

// canInterface is what ip -json says of a CAN interface, with -details or with -statistics.
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
	Stats struct {
		RX struct {
			Packets    uint64 `json:"packets"`
			OverErrors uint64 `json:"over_errors"`
			Dropped    uint64 `json:"dropped"`
		} `json:"rx"`
		TX struct {
			Packets uint64 `json:"packets"`
		} `json:"tx"`
	} `json:"stats64"`
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
	if got := strings.TrimSpace(content(t, filepath.Join(dir, "wrong.status"))); got != "1" {
		t.Errorf("wrong bit rate: exit status %s, want 1", got)
	}
	status, told := strings.TrimSpace(content(t, filepath.Join(dir, "asked.status"))), content(t, filepath.Join(dir, "asked.err"))
	if status != "2" || !strings.Contains(told, "listen-only mode, so nothing can be asked") {
		t.Errorf("asking: exit status %s, %s", status, told)
	}
}

// wires: each network has the frames that its own controller took, and the devices that are on its own wire.
func wires(t *testing.T, dir string) {
	r := readReport(t, filepath.Join(dir, "after.json"))
	if len(r.Networks) != 2 {
		t.Fatalf("%d networks, want 2", len(r.Networks))
	}
	devices := map[string]int{}
	for _, d := range r.Devices {
		devices[d.Network]++
	}
	for _, c := range []struct {
		network, sender, log string
		least                int
	}{{"can0", "can2", "gnss.log", 1}, {"can1", "can3", "fifty.log", 50}} {
		sent := framesSent(t, filepath.Join(dir, c.log))
		from, to := readInterface(t, filepath.Join(dir, c.sender+".link")).Stats, readInterface(t, filepath.Join(dir, c.network+".link")).Stats
		if from.TX.Packets != sent {
			t.Errorf("%s: %d frames of %d passed the controller", c.sender, from.TX.Packets, sent)
		}
		i := slices.IndexFunc(r.Networks, func(n report.Network) bool { return n.ID == c.network })
		n := r.Networks[max(i, 0)]
		if n.ID != c.network || n.Frames != to.RX.Packets || n.Faults.Dropped != to.RX.OverErrors+to.RX.Dropped {
			t.Errorf("%s: %d frames and %d lost, ip says %+v", n.ID, n.Frames, n.Faults.Dropped, to.RX)
		}
		if n.Faults.Dropped == 0 && (n.Frames != sent || devices[c.network] < c.least) {
			t.Errorf("%s: %d frames of %d, %d devices, want %d", n.ID, n.Frames, sent, devices[c.network], c.least)
		}
		t.Logf("%s: %d frames of %d, %d overruns, %d devices", c.network, n.Frames, sent, n.Faults.Dropped, devices[c.network])
	}
}

// overrun: what the controller had no room for is counted as the driver counts it, and the error frame that tells of it is seen.
func overrun(t *testing.T, dir string) {
	judge := readInterface(t, filepath.Join(dir, "can0.link")).Stats.RX
	if told := content(t, filepath.Join(dir, "candump.txt")); judge.OverErrors == 0 || !strings.Contains(told, "rx-overflow") {
		t.Fatalf("nothing was lost: %+v, candump: %s", judge, told)
	}
	n := readReport(t, filepath.Join(dir, "report.json")).Networks[0]
	if n.Frames != judge.Packets || n.Faults.Dropped != judge.OverErrors || n.Faults.ErrorFrames == 0 {
		t.Errorf("%d frames, %d lost, %d error frames; ip says %+v", n.Frames, n.Faults.Dropped, n.Faults.ErrorFrames, judge)
	}
}

// awayAndBack: each time that the interface went it was told once, and it was read again under the name that it has in the config.
func awayAndBack(t *testing.T, dir string) {
	var want []string
	for i := range 3 {
		want = append(want, "warn source went away can0", "info source is back can0")
		r := readReport(t, filepath.Join(dir, fmt.Sprintf("back%d.json", i+1)))
		if n := r.Networks[0]; n.State != "active" || n.Faults.SourceLost != uint64(i+1) || n.Frames != uint64(i+2) || n.BitRate != 250_000 || !n.ListenOnly {
			t.Errorf("back %d times: %+v", i+1, n)
		}
		if n := len(r.Devices); n != i+2 {
			t.Errorf("back %d times: %d devices, want %d", i+1, n, i+2)
		}
	}
	got := about(logged(t, filepath.Join(dir, "run.log")), "source went away", "source is back")
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

// replugged: muster followed the head through the time that its own controller was away.
func replugged(t *testing.T, dir string) {
	failedHead(t, dir)
	told := content(t, filepath.Join(dir, "follow.txt"))
	if strings.Count(told, "(LF9-41033) left the network") != 1 || strings.Count(told, "(LF9-41033) is back") != 1 {
		t.Errorf("told: %s", told)
	}
	if got := strings.TrimSpace(content(t, filepath.Join(dir, "status"))); got != "1" {
		t.Errorf("exit status %s, want 1", got)
	}
}
