package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// kernelLoad holds muster against full and overfull CAN interfaces of a real kernel.
func kernelLoad(t *testing.T) {
	t.Run("saturated bus", func(t *testing.T) {
		dir := pcPart(t, "saturated")
		f := readFlood(t, dir)
		if f.heard != f.Sent || f.dropped != 0 {
			t.Errorf("lost frames: %s", f)
		}
		m := regexp.MustCompile(`VmHWM:\s+(\d+) kB`).FindStringSubmatch(content(t, filepath.Join(dir, "status.txt")))
		if m == nil {
			t.Fatal("no memory figure")
		}
		kb, _ := strconv.Atoi(m[1])
		t.Logf("%s; memory at most %d kB; %s", f, kb, spent(t, filepath.Join(dir, "ticks.txt"), f.Sent))
		if kb > 48<<10 {
			t.Errorf("the daemon took %d kB, want at most 48 MB", kb)
		}
	})

	// The bus is sent with the least right to the processor and stops while this computer has no time for it, so that
	// a slow computer receives fewer buses a second, and loses nothing all the same.
	t.Run("ten saturated buses in one", func(t *testing.T) {
		dir := pcPart(t, "flood")
		f := readFlood(t, dir)
		if f.heard != f.Sent || f.dropped != 0 {
			t.Errorf("lost frames: %s", f)
		}
		t.Logf("%s; %s", f, spent(t, filepath.Join(dir, "ticks.txt"), f.Sent))
	})

	t.Run("serial adapter on a full bus", func(t *testing.T) {
		dir := pcPart(t, "slcanload")
		f := readFlood(t, dir)
		if f.heard != f.Sent || f.dropped != 0 {
			t.Errorf("lost frames: %s", f)
		}
		t.Logf("%s; %s", f, spent(t, filepath.Join(dir, "ticks.txt"), f.Sent))
	})

	// The kernel keeps a number of frames, whatever their pace: 768 bytes each of twice the buffer granted.
	t.Run("standing still", func(t *testing.T) {
		dir := pcPart(t, "still")
		for _, c := range []struct {
			step, who string
			least     uint64
		}{
			{"still-root", "with the privilege to ask for any buffer", 21_000},
			{"still-user", "without it, on a system as it comes", 500},
			{"still-package", "without it, with the limit that the package sets", 21_000},
		} {
			t.Run(c.who, func(t *testing.T) {
				f := readFlood(t, filepath.Join(dir, c.step))
				if f.heard < c.least || f.dropped == 0 {
					t.Errorf("want %d frames kept and some lost: %s", c.least, f)
				}
				t.Logf("%d frames kept: %.2f s of a full bus, %.3f s of ten", f.heard, float64(f.heard)/fullBus, float64(f.heard)/fullBus/10)
			})
		}
	})
}

// fullBus is how many frames a second the saturated scenario sends.
const fullBus = 1730

// flooded is one flood: what was sent, and where it went.
type flooded struct {
	Sent    uint64  `json:"sent"`
	Seconds float64 `json:"seconds"`
	Still   float64 `json:"still_seconds"` // of them the bus stopped, because the computer did
	Longest float64 `json:"longest_still"`

	heard, dropped uint64 // as muster reports
	early          uint64 // dropped by the kernel before they reached any socket
	queue          string // dropped by muster's own queue
}

func (f flooded) String() string {
	return fmt.Sprintf("%d frames heard and %d told as dropped of %d, of them %d before the socket and %s in muster's own queue; "+
		"%.1f full buses while the bus ran, %.1f by the clock: it stood still for %.1f s, at most %.1f s at a time, because this machine did",
		f.heard, f.dropped, f.Sent, f.early, f.queue, float64(f.Sent)/(f.Seconds-f.Still)/fullBus, float64(f.Sent)/f.Seconds/fullBus, f.Still, f.Longest)
}

// readFlood reads what a flood came to and accounts for every frame of it.
func readFlood(t *testing.T, dir string) flooded {
	t.Helper()
	var f flooded
	if err := json.Unmarshal([]byte(content(t, filepath.Join(dir, "flood.json"))), &f); err != nil {
		t.Fatal(err)
	}
	f.Sent += 3 // single frames at the end
	n := readReport(t, filepath.Join(dir, "report.json")).Networks[0]
	f.heard, f.dropped = n.Frames, n.Faults.Dropped
	var links []struct {
		Stats struct {
			RX, TX struct{ Packets, Dropped uint64 }
		} `json:"stats64"`
	}
	if err := json.Unmarshal([]byte(content(t, filepath.Join(dir, "link.json"))), &links); err != nil || len(links) != 1 {
		t.Fatalf("the interface: %v, %+v", err, links)
	}
	f.early = links[0].Stats.RX.Dropped
	m := regexp.MustCompile(`muster_source_queue_dropped_total\{.*\} (\d+)`).FindStringSubmatch(content(t, filepath.Join(dir, "metrics.txt")))
	if m == nil {
		t.Fatal("no metric of muster's own queue")
	}
	f.queue = m[1]
	if f.heard+f.dropped != f.Sent || links[0].Stats.TX.Packets != f.Sent {
		t.Errorf("%d frames passed the interface; %s", links[0].Stats.TX.Packets, f)
	}
	return f
}

// spent is how much processor time muster took between the two lines of a file, for so many frames.
func spent(t *testing.T, file string, frames uint64) string {
	t.Helper()
	var ticks [4]float64 // user and system before and after, in hundredths of a second
	for i, word := range strings.Fields(content(t, file)) {
		ticks[i], _ = strconv.ParseFloat(word, 64)
	}
	return fmt.Sprintf("processor time %.1f µs a frame, in a kernel whose system calls, reading the clock among them, cost many times a real one's",
		(ticks[2]+ticks[3]-ticks[0]-ticks[1])*1e4/float64(frames))
}
