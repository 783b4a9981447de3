package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"
)

// recording is a candump log under construction.
type recording struct {
	bytes.Buffer
	at float64 // seconds
}

func (r *recording) frame(id uint32, data ...byte) {
	fmt.Fprintf(r, "(%.6f) can0 %08X#%X\n", 1_780_000_000+r.at, id, data)
}

// message sends a single-frame message from an address.
func (r *recording) message(pgn uint32, from uint8, data ...byte) {
	r.frame(2<<26|pgn<<8|uint32(from), data...)
}

// claims lets two devices of the invented manufacturer 2002 claim 35 and 36.
func (r *recording) claims() {
	for i := range uint32(2) {
		r.frame(6<<26|0xEEFF00|(35+i), binary.LittleEndian.AppendUint64(nil, 0xC0_96_82_00_00_00_00_00|uint64(i)<<32|2002<<21|uint64(i+1))...)
	}
}

// each calls f every tenth of a second for some seconds.
func (r *recording) each(seconds int, f func(tenth int)) {
	for i := range 10 * seconds {
		f(i)
		r.at += 0.1
	}
}

// heading is a true heading in degrees.
func (r *recording) heading(from uint8, degrees float64) {
	raw := binary.LittleEndian.AppendUint16([]byte{1}, uint16(degrees*174.533))
	r.message(127250, from, append(raw, 0xFF, 0x7F, 0xFF, 0x7F, 0xFC)...)
}

// audited runs muster audit on a file of the text.
func audited(t *testing.T, name, text string, args ...string) (status int, out, errs string) {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return ran(t, append([]string{"audit", file}, args...)...)
}

func ran(t *testing.T, args ...string) (status int, out, errs string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	a := &app{stdin: strings.NewReader(""), stdout: &stdout, stderr: &stderr}
	status = a.run(t.Context(), args)
	return status, stdout.String(), stderr.String()
}

// TestVerdicts: what a short or damaged recording shows is found, and no boat is healthy of which too little was received.
func TestVerdicts(t *testing.T) {
	var split, flat, lost, back, cut, quiet, steady recording
	split.claims()
	split.each(20, func(int) { split.heading(35, 10); split.heading(36, 100) })
	flat.claims()
	flat.each(20, func(tenth int) {
		if tenth%10 == 0 {
			flat.message(127508, 35, 0, 0x84, 0x03, 0xFF, 0xFF, 0xFF, 0xFF, 1) // 9.00 V
		}
	})
	lost.claims()
	lost.each(150, func(tenth int) {
		lost.heading(35, 10)
		if tenth < 102 { // the first of seven frames, and never another
			lost.message(129029, 36, byte(tenth%8)<<5, 43, 1, 0, 0, 0, 0, 0)
		}
	})
	for _, r := range []*recording{&back, &cut, &steady} {
		r.claims()
		r.each(20, func(int) { r.heading(35, 10) })
	}
	back.at -= 7200
	back.each(20, func(int) { back.heading(35, 10) })
	cut.WriteString("(1780000020.0000")
	quiet.claims()
	var bad, good strings.Builder
	for i := range 90 {
		sum := byte(0x4F) // of HEHDT,123.4,T
		for j, c := range []byte("HEHDT,123.4,T") {
			if j == 0 {
				sum = 0
			}
			sum ^= c
		}
		if i%3 == 0 {
			fmt.Fprintf(&bad, "$HEHDT,123.4,T*%02X\r\n", sum^1)
		} else {
			fmt.Fprintf(&bad, "$HEHDT,123.4,T*%02X\r\n", sum)
		}
		fmt.Fprintf(&good, "$HEHDT,123.4,T*%02X\r\n", sum)
	}
	for _, tt := range []struct {
		name, file, text string
		fail             string
		status           int
		out              []string
	}{
		{"headings 90° apart", "split.log", split.String(), "warning", exitFindings, []string{"(?m)^1 thing needs attention", "sources-disagree"}},
		{"a battery at 9 V", "flat.log", flat.String(), "critical", exitFindings, []string{"(?m)^1 fault needs action now", "9.0 V", "low-voltage"}},
		{"incomplete messages that came and went", "lost.log", lost.String(), "warning", exitFindings,
			[]string{"1 backbone has incomplete messages .came and went, [0-9]+ %"}},
		{"a third of the sentences is damaged", "bad.nmea", bad.String(), "warning", exitFindings, []string{"bad-checksum"}},
		{"no time stamps", "good.nmea", good.String(), "info", exitDone, []string{"(?m)^The traffic has no time stamps, so most checks do not apply"}},
		{"a clock that jumps back", "back.log", back.String(), "critical", exitDone, []string{"The recording is damaged: the clock on can0 jumps back by 2h0m0s"}},
		{"cut in a record", "cut.log", cut.String(), "critical", exitDone, []string{"(?m)^Nothing needs|The recording is damaged: 1 record on can0 cannot be read"}},
		{"too short", "quiet.log", quiet.String(), "critical", exitDone, []string{"(?m)^Too little was received to check the boat"}},
		{"too short, and that counts", "quiet.log", quiet.String(), "critical,unjudged", exitFindings, []string{"checks judged; [0-9]+ need "}},
		{"nothing wrong", "steady.log", steady.String(), "warning", exitDone, []string{"(?m)^Nothing found needs attention, but "}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			status, out, errs := audited(t, tt.file, tt.text, "--fail-on", tt.fail)
			if status != tt.status {
				t.Errorf("status %d, want %d: %s", status, tt.status, errs)
			}
			for _, want := range tt.out {
				if !regexp.MustCompile(want).MatchString(out) {
					t.Errorf("does not say %q:\n%s", want, out)
				}
			}
			if load := regexp.MustCompile(`load (\d+)\.`).FindStringSubmatch(out); load != nil && len(load[1]) > 2 && load[1] != "100" {
				t.Errorf("load above 100 %%: %s", load[0])
			}
		})
	}
}

// TestFirstScreen: the summary of an audit of a boat with everything wrong fits on a screen, before the units.
func TestFirstScreen(t *testing.T) {
	_, out, _ := ran(t, "audit", "sim:faults", "--for", "2m")
	screen, _, found := strings.Cut(out, "\nUnits: ")
	if lines := strings.Count(screen, "\n"); !found || lines > 24 {
		t.Errorf("%d lines before the units", lines)
	}
	for line := range strings.Lines(screen) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 80 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	if regexp.MustCompile(`(?m)^ +Remedy:`).MatchString(out) {
		t.Error("remedies without --explain")
	}
	_, all, _ := ran(t, "audit", "sim:faults", "--for", "2m", "--explain")
	for _, want := range []string{"Remedy:\n", "Evidence: ", "Not judged", "% of the time"} {
		if !strings.Contains(all, want) {
			t.Errorf("--explain does not give %q", want)
		}
	}
}

// TestNothingReceived: a source that gives nothing has failed, and the way out names what to try.
func TestNothingReceived(t *testing.T) {
	source := "0183+tcp:" + lineServer(t, "")
	status, out, errs := ran(t, "audit", source, "--for", "300ms")
	if status != exitSource || !strings.Contains(errs, "nothing was received") || !strings.Contains(errs, "hint: ") {
		t.Errorf("%s: status %d\n%s%s", source, status, out, errs)
	}
	if !strings.Contains(out, "Nothing was received.") {
		t.Error(out)
	}
}

// TestReadmeShowsAnAudit: the sample of the README is what the program prints.
func TestReadmeShowsAnAudit(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	const command = "$ muster audit sim:demo --for 75s\n"
	_, sample, found := strings.Cut(string(text), command)
	sample, _, closed := strings.Cut(sample, "…\n```")
	_, out, _ := ran(t, "audit", "sim:demo", "--for", "75s")
	if !found || !closed || !strings.HasPrefix(out, sample) {
		t.Errorf("the README shows\n%s\nand the program prints\n%s", sample, out)
	}
}
