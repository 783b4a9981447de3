package main

import (
	"bytes"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jedib0t/go-pretty/v6/text"

	"muster/internal/event"
	"muster/internal/release"
)

// screen is what a terminal shows after it was sent text: lines, the cursor up, and the rest of a line erased (ECMA-48: CUU, EL).
func screen(t *testing.T, sent string) []string {
	t.Helper()
	lines, at := []string{""}, 0
	code := regexp.MustCompile(`^\x1b\[([0-9]*)([A-Za-z])`)
	for sent != "" {
		if m := code.FindStringSubmatch(sent); m != nil {
			sent = sent[len(m[0]):]
			n, _ := strconv.Atoi(m[1])
			switch m[2] {
			case "A":
				at -= max(n, 1)
			case "K":
				lines[at] = ""
			default:
				t.Fatalf("an escape code %q that nobody asked for", m[0])
			}
			if at < 0 {
				t.Fatal("the cursor goes above the screen")
			}
			continue
		}
		if sent[0] == '\n' {
			if at++; at == len(lines) {
				lines = append(lines, "")
			}
		} else {
			lines[at] += sent[:1]
		}
		sent = sent[1:]
	}
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	return lines[:len(lines)-1]
}

// TestBoard: the table is drawn in place, lines that stay go above it, and it fits the terminal.
func TestBoard(t *testing.T) {
	begun := event.At(time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC))
	at := func(s int) event.Time { return begun.Add(time.Duration(s) * time.Second) }
	volts, low, still := 12.8, 11.9, 0.0
	list := []release.StepStatus{
		{Step: "1.1", Label: "Larkfin LF9 display (LF9-41033)", State: release.StepWaiting, From: "4.47", To: "4.52"},
		{Step: "1.2", Label: "Larkfin LF12 display (LF12-7)", State: release.StepWaiting, From: "4.40", To: "4.52"},
		{Step: "2.1", Label: "Larkfin Olbo 20 sonar \x1b[31mmodule", State: release.StepWaiting, From: "2.10", To: "2.11"},
	}
	var out bytes.Buffer
	width, height := 110, 24
	b := &board{w: &out, size: func() (int, int) { return width, height }}
	show := func(now int, c release.Conditions) string {
		b.draw(at(now), begun, list, 12, c)
		return strings.Join(screen(t, out.String()), "\n")
	}
	want := func(name, got, want string) {
		t.Helper()
		if d := cmp.Diff(strings.TrimPrefix(want, "\n"), got); d != "" {
			t.Errorf("%s:\n%s", name, d)
		}
	}
	want("waiting", show(5, release.Conditions{}), `
08:00:05 UTC  battery unknown (minimum 12.0 V)  engines unknown  speed unknown
 step  state    waited  away  back  checked  lowest  device                            versions
 1.1   waiting  5s                                   Larkfin LF9 display (LF9-41033)   4.47 -> 4.52
 1.2   waiting  5s                                   Larkfin LF12 display (LF12-7)     4.40 -> 4.52
 2.1   waiting  5s                                   Larkfin Olbo 20 sonar \x1b[31mmo  2.10 -> 2.11`)
	list[0].State, list[0].LeftAt, list[0].LowestVolts = release.StepLeft, at(60), &low
	list[1].State, list[1].LeftAt, list[1].BackAt = release.StepBack, at(30), at(90)
	b.clear()
	out.WriteString("1.1 left the network\n")
	want("away", show(100, release.Conditions{SupplyVolts: &volts, EngineRPM: &still, SpeedMS: &still}), `
1.1 left the network
08:01:40 UTC  battery 12.8 V (minimum 12.0 V)  engines 0/min  speed 0.0 kn
 step  state    waited  away  back  checked  lowest  device                            versions
 1.1   left     1m0s    40s                  11.9 V  Larkfin LF9 display (LF9-41033)   4.47 -> 4.52
 1.2   back     30s     1m0s  10s                    Larkfin LF12 display (LF12-7)     4.40 -> 4.52
 2.1   waiting  1m40s                                Larkfin Olbo 20 sonar \x1b[31mmo  2.10 -> 2.11`)
	list[0].State, list[0].FailedAt = release.StepFailed, at(400)
	list[1].State, list[1].IdentifiedAt, list[1].VerifiedAt = release.StepVerified, at(100), at(130)
	width, height = 80, 6
	want("a small terminal leaves out what is done", show(500, release.Conditions{}), `
1.1 left the network
08:08:20 UTC  battery unknown (minimum 12.0 V)  engines unknown  speed unknown
 step  state    waited  away   back  checked  lowest  device
 1.1   failed   1m0s    5m40s                 11.9 V  Larkfin LF9 disp
 2.1   waiting  8m20s                                 Larkfin Olbo 20
  and 1 step more`)
	for l := range strings.SplitSeq(out.String(), "\n") {
		if n := text.StringWidthWithoutEscSequences(l); n >= 110 {
			t.Errorf("%d columns: %q", n, l)
		}
	}
	b.clear()
	if got := strings.TrimSpace(strings.Join(screen(t, out.String()), "\n")); got != "1.1 left the network" {
		t.Errorf("cleared: %q", got)
	}
	var none *board
	none.draw(at(1), begun, list, 12, release.Conditions{}) // no terminal, nothing drawn
	none.clear()
}
