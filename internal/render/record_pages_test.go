package render

import (
	"fmt"
	"os/exec"
	"strings"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/job"
	"muster/internal/release"
)

// tenSteps is the record of a long day: ten steps in every state, findings of all kinds, hours, parts and notes.
func tenSteps(t *testing.T) *job.Record {
	r := build(t, 14)
	states := []release.StepState{release.StepVerified, release.StepFailed, release.StepReentry, release.StepDisputed, release.StepWaiting}
	low := 10.8
	r.Steps = nil
	for i := range 10 {
		s := release.StepStatus{Step: fmt.Sprintf("%d.%d", i/4+1, i%4+1), Device: fmt.Sprint("D", i), Label: fmt.Sprintf("Larkfin LF9 display (LF9-4100%d)", i),
			State: states[i%len(states)], Attempt: 2, From: "4.47", To: "4.52", Version: "4.52", LowestVolts: &low,
			Absences: []release.Absence{{From: noon.Add(time.Hour), To: noon.Add(80 * time.Minute)}},
			Attempts: []release.Attempt{{Number: 1, Version: "4.47", Failures: []release.Failure{{Reason: release.ReasonOldVersion, Text: "came back on the old version"}}}},
			Settings: []release.Setting{{Was: "device instance 1"}, {Was: `installation text 1 "Helm"`, SeenAgain: noon}},
			Settled:  []release.Settled{{By: "Ana", At: noon, What: "battery voltage fell to 10.8 V", Reason: "measured at the display"}}}
		if s.State != release.StepVerified && s.State != release.StepWaiting {
			s.Failures = []release.Failure{{Text: "device instance 0 and system instance 0, it had 1 and 0: set them again", Was: "device instance 1 and system instance 0"},
				{Text: `installation text 1 was "Helm" and is now "": enter it again`, Was: `installation text 1 "Helm"`}}
		}
		r.Steps = append(r.Steps, s)
	}
	for i := range 30 {
		r.Fresh = append(r.Fresh, job.Item{Check: []string{"silent", "low-voltage", "multiple-sources", "bus-errors"}[i%4],
			Severity: []check.Severity{check.Warning, check.Warning, check.Info, check.Critical}[i%4], Summary: fmt.Sprintf("finding %d of a unit with a long name", i),
			Steps: []check.Step{{Class: check.Look, Text: "Look at the unit and its connector."}, {Class: check.Change, Text: "Replace what is faulty."}}})
	}
	said := job.Statement{What: "supply", Text: "a bench supply is connected", By: "Ana", At: noon}
	r.Job.TimeZone = "Europe/Lisbon"
	r.Account = &job.Account{Boat: boat.Identity{ID: "wagtail"}, Opened: noon, At: noon.Add(5 * time.Hour), Hours: []job.Work{{Minutes: 240}, {Minutes: 45, Kind: "travel"}},
		Parts: []job.PartUsed{{Name: "T-connector", Number: "TC-5", Count: 2}, {Name: "terminator", Count: 1}}, Notes: []job.Statement{said, said, said},
		Outside: []job.Outside{{Label: "Gannet SD2 sounder (S-7)", From: "1.2", To: "1.3"}}, SignOff: &said, Waived: []job.Statement{said},
		Points: []job.Statement{said}, Unticked: []string{"The boat is moored"}, Remedies: []job.Statement{said}}
	return r
}

// TestFrontOfTenSteps: what the owner reads of a job of ten steps takes two pages at most, and the evidence follows.
func TestFrontOfTenSteps(t *testing.T) {
	r := tenSteps(t)
	text, err := exec.Command(need(t, "pdftotext"), "-layout", writePDF(t, r), "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	front := 0
	for _, page := range strings.Split(string(text), "\f") {
		if strings.HasPrefix(strings.TrimSpace(page), "Evidence") {
			break
		}
		front++
	}
	if pages := strings.Count(string(text), "\f"); front < 1 || front > 2 || pages <= front {
		t.Errorf("%d of %d pages before the evidence\n%s", front, pages, text)
	}
	before, evidence, _ := strings.Cut(string(text), "Evidence")
	for _, want := range []string{"2 of 10 ordered updates were done. After the work, 1 fault needed action and ", "4 May 2026 13:00 WEST to 4 May 2026 18:00 WEST",
		"hours in all", "4 h 45 min", "Gannet SD2 sounder (S-7): 1.2 → 1.3, in no order", "Enter again: device instance 1 and system instance 0"} {
		if !strings.Contains(strings.Join(strings.Fields(before), " "), want) {
			t.Errorf("the owner does not read %q", want)
		}
	}
	for _, want := range []string{"10.8", "2026-05-04 13:00:00 to 13:20:00", "The boat is moored: not ticked", "not seen again", "2026-05-04 12:00:00 UTC"} {
		if !strings.Contains(strings.Join(strings.Fields(evidence), " "), want) {
			t.Errorf("the evidence lacks %q", want)
		}
	}
}

// TestCounters: counters that ran on since the snapshot before are differences; those that began again are counts of their own.
func TestCounters(t *testing.T) {
	r := build(t, 2)
	n := &r.Networks[0]
	n.Before.Faults.ErrorFrames, n.After.Faults.ErrorFrames = 1000, 1007
	r.Before.From, r.After.From = noon.Add(-time.Hour), noon.Add(-time.Hour)
	if got := counterLines(r)[0]; !strings.HasPrefix(got, "can0: error frames 7, ") || !strings.HasSuffix(got, "in 3h0m0s") {
		t.Errorf("of one run: %s", got)
	}
	r.After.From, n.After.Faults.ErrorFrames = noon.Add(2*time.Hour), 3
	if got := counterLines(r)[0]; !strings.HasPrefix(got, "can0: error frames 3, ") || !strings.HasSuffix(got, "in 1h0m0s") {
		t.Errorf("of two runs: %s", got)
	}
}
