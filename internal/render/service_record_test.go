package render

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
)

var noon = event.At(time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC))

const jobText = `
number: "2026-114"
date: 4 May 2026
technician: Ilse Övningså
customer: Ζωή Πελάτης, Юрий Заказчик
place: berth 12
work: Bring both displays to one release; find out why the battery monitor disappears.
shop:
  name: Example Marine Electronics
  address: [Slipway 3, Sampleport]
  contact: office@marine.example
open_items:
  - check: bus-load-high
    why: a second backbone is ordered
notes: [Old release kept on the card in the chart table]
`

func ptr[T any](v T) *T { return &v }

func device(id string, role boat.Role, model, serial, software string, n uint32) report.Device {
	return report.Device{ID: id, Network: "can0", Address: ptr(uint8(n)), State: boat.Present, Role: role,
		Name:    &boat.Name{UniqueNumber: n, Manufacturer: boat.Coded{Code: 2001, Name: "Larkfin Marine"}},
		Product: &boat.Product{Model: model, Serial: serial, Software: software}}
}

func sealed(t *testing.T, after bool, devices int) *snapshot.Snapshot {
	t.Helper()
	software := "4.47"
	if after {
		software = "4.5"
	}
	r := &report.Report{Schema: report.V1, Boat: boat.Identity{ID: "wagtail", Name: "Wagtail"}, TakenAt: noon, Clock: boat.ClockSystem,
		Networks: []report.Network{{ID: "can0", Kind: event.NMEA2000, BitRate: 250000, Frames: 4000, Load: &boat.Load{Mean: .031, Peak: .06}}},
		Devices: []report.Device{device("A1", boat.RoleDisplay, "LF9 display", "H-1", software, 1),
			device("A2", boat.RoleDepth, "SD2 sounder", "S-7", "1.2", 2)},
		Talkers: []report.Talker{}, Manual: []boat.Manual{{ID: "radio", Role: boat.RoleRadio, Manufacturer: "Gannet Instruments", Model: "VR1", Software: "7", By: "Ilse"}},
		Alerts: []alert.Alert{{Check: "bus-load-high", Severity: check.Warning, State: alert.StatusOpen, Network: "can0", Summary: "the load of can0 is high", Remedy: "Split the backbone."}}}
	for i := 2; i < devices; i++ {
		r.Devices = append(r.Devices, device("B"+strings.Repeat("x", i), boat.RoleTank, "PT1 tank sensor with a rather long name that has to wrap", "T-"+strings.Repeat("9", i%20+1), "1.0", uint32(i+1)))
	}
	if after {
		r.TakenAt = noon.Add(3 * time.Hour)
	} else {
		r.Alerts = append(r.Alerts, alert.Alert{Check: "software-differs", Severity: check.Warning, State: alert.StatusOpen, Devices: []string{"A1"}, Summary: "the displays run different software", Remedy: "Update the older one."})
	}
	s := snapshot.New(r)
	if err := s.Close(nil); err != nil {
		t.Fatal(err)
	}
	return s
}

func build(t *testing.T, devices int) *job.Record {
	t.Helper()
	before, after := sealed(t, false, devices), sealed(t, true, devices)
	c, err := snapshot.Compare(before, after, snapshot.Options{})
	if err != nil {
		t.Fatal(err)
	}
	visit, err := job.Parse(t.Context(), "", []byte(jobText))
	if err != nil {
		t.Fatal(err)
	}
	r, err := job.NewRecord(before, after, c, visit, []release.StepStatus{{Step: "1.1", Device: "A1", Label: "LF9 display (H-1)", State: release.StepVerified,
		Attempt: 1, From: "4.47", To: "4.5", Version: "4.5", VerifiedAt: noon.Add(79 * time.Minute),
		Absences: []release.Absence{{From: noon.Add(65 * time.Minute), To: noon.Add(78 * time.Minute)}}}})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestServiceRecordGolden(t *testing.T) {
	golden(t, "record.html", func(w io.Writer) error { return ServiceRecordHTML(w, build(t, 2)) })
}

// TestLikeFindingsAreOne: findings of one kind are one line with one remedy on paper, and the single ones lie below it.
func TestLikeFindingsAreOne(t *testing.T) {
	r := build(t, 2)
	r.Found = nil
	for _, what := range []string{"AIS", "depth", "wind"} {
		r.Found = append(r.Found, job.Item{Check: "multiple-sources", Severity: check.Info, Summary: "2 sources of " + what, Note: "note on " + what,
			Steps: []check.Step{{Class: check.Change, Text: "Select the same primary source everywhere."}}})
	}
	r.Found = append(r.Found, job.Item{Check: "silent", Severity: check.Warning, Summary: "the sounder is silent"})
	var html bytes.Buffer
	if err := ServiceRecordHTML(&html, r); err != nil {
		t.Fatal(err)
	}
	paper, err := exec.Command(need(t, "pdftotext"), "-layout", writePDF(t, r), "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"HTML": html.String(), "PDF": string(paper)} {
		kind, silent := strings.Index(text, "info: 3 quantities have several sources or copies"), strings.Index(text, "warning: the sounder is silent")
		if kind < 0 || silent < 0 || silent > kind || strings.Count(text, "Select the same primary source everywhere.") != 1 {
			t.Errorf("%s: kind at %d, the other at %d\n%s", name, kind, silent, text)
		}
		for _, want := range []string{"2 sources of AIS", "2 sources of depth", "2 sources of wind", "note on AIS", "note on wind"} {
			if at := strings.Index(text, want); at < kind {
				t.Errorf("%s: %q at %d, the kind at %d", name, want, at, kind)
			}
		}
	}
}

// TestCommandsInTheRecord: the record says who set what over the network, on the page and on paper.
func TestCommandsInTheRecord(t *testing.T) {
	before, changed := sealed(t, false, 2), sealed(t, true, 2).Report
	changed.Complete()
	unit := &changed.Units[0]
	unit.Life.Commands = []boat.RemoteSetting{{At: noon, Network: "can0", From: "A2", FromAddress: 2, To: unit.Presences[0].ID, ToAddress: 1, PGN: 60928,
		What: "device instance 3", Outcome: boat.Accepted}}
	after := snapshot.New(changed)
	if err := after.Close(nil); err != nil {
		t.Fatal(err)
	}
	c, err := snapshot.Compare(before, after, snapshot.Options{})
	if err != nil {
		t.Fatal(err)
	}
	r, err := job.NewRecord(before, after, c, &job.Job{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	var page bytes.Buffer
	if err := ServiceRecordHTML(&page, r); err != nil {
		t.Fatal(err)
	}
	paper, err := exec.Command(need(t, "pdftotext"), "-layout", writePDF(t, r), "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"HTML": page.String(), "PDF": string(paper)} {
		if !strings.Contains(text, "Settings changed over the network") || !strings.Contains(text, "device instance 3 – accepted") {
			t.Errorf("%s:\n%s", name, text)
		}
	}
}

// TestNamelessBoat: a boat without a name leaves no empty line behind.
func TestNamelessBoat(t *testing.T) {
	r := build(t, 2)
	r.Boat = boat.Identity{}
	var b bytes.Buffer
	if err := ServiceRecordHTML(&b, r); err != nil {
		t.Fatal(err)
	}
	if page := b.String(); strings.Contains(page, ">Boat<") || !strings.Contains(page, "<title>"+recordTitle(r)+"</title>") {
		t.Errorf("%.900s", page)
	}
}

// TestHTMLHostile: texts of devices and of the job file add no element and no attribute; the logo is the only
// address, and lies in the page.
func TestHTMLHostile(t *testing.T) {
	shape := func(text string) string {
		r := build(t, 2)
		j := *r.Job
		j.Number, j.Customer, j.Work, j.Notes = text, text, text, []string{text}
		j.Shop = job.Shop{Name: text, Address: []string{text}, Contact: text}
		j.Logo = &job.Logo{Data: []byte("\xfb\xff\xfe"), Format: "png"}
		r.Job, r.Boat = &j, boat.Identity{ID: text, Name: text}
		r.Groups[0].Devices[0], r.Changes = job.Row{Device: text, Serial: text, Before: text, After: text, Remark: text}, []string{text}
		r.Fresh, r.Before.Signed = []job.Item{{Severity: check.Warning, Summary: text, Note: text}}, text
		var page bytes.Buffer
		if err := ServiceRecordHTML(&page, r); err != nil {
			t.Fatal(err)
		}
		if bytes.ContainsAny(page.Bytes(), "\x00\x1b\u202e") {
			t.Errorf("%q: the page holds a control character", text)
		}
		doc, err := html.Parse(&page)
		if err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		for n := range doc.Descendants() {
			if n.Type != html.ElementNode {
				continue
			}
			fmt.Fprint(&b, n.Data)
			for _, a := range n.Attr {
				fmt.Fprint(&b, " ", a.Key)
				if a.Key == "src" || a.Key == "href" {
					fmt.Fprint(&b, "=", a.Val)
				}
			}
			b.WriteByte('\n')
		}
		return b.String()
	}
	want := shape("x")
	if !strings.Contains(want, "img src=data:image/png;base64,+//+ alt\n") {
		t.Errorf("no logo in\n%s", want)
	}
	for _, text := range []string{`"><script>alert(1)</script>`, `' onload='x`, "</title></style><b>", "<!--", "\x00\x1b[2J\u202e"} {
		if diff := cmp.Diff(want, shape(text)); diff != "" {
			t.Errorf("%q: %s", text, diff)
		}
	}
}

// need skips a test by name when a program is not installed, or fails it where nothing may skip.
func need(t *testing.T, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatalf("%s is not installed", program)
		}
		t.Skipf("%s is not installed", program)
	}
	return path
}

func writePDF(t *testing.T, r *job.Record) string {
	t.Helper()
	var a, b bytes.Buffer
	if err := ServiceRecordPDF(&a, r, noon.UTC()); err != nil {
		t.Fatal(err)
	}
	if err := ServiceRecordPDF(&b, r, noon.UTC()); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("the same record gave two different PDFs")
	}
	file := filepath.Join(t.TempDir(), "record.pdf")
	if err := os.WriteFile(file, a.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// The PDF is read back by poppler, which is independent.
func TestPDFReadByOthers(t *testing.T) {
	read := func(t *testing.T, file string) string {
		out, err := exec.Command(need(t, "pdftotext"), "-layout", file, "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		return string(out)
	}
	t.Run("small boat on two pages", func(t *testing.T) {
		r := build(t, 2)
		text := read(t, writePDF(t, r))
		for _, want := range []string{"Service record 2026-114", "Wagtail (wagtail)", "Ζωή Πελάτης, Юрий Заказчик", "Ilse Övningså", "4.47", "4.5",
			"entered by hand by Ilse", "a second backbone is ordered", r.Before.SHA256, r.After.SHA256, "page 1 of 2", "Slipway 3", "confirmed on the network"} {
			if !strings.Contains(text, want) {
				t.Errorf("the PDF does not say %q", want)
			}
		}
		if strings.Count(text, "\f") != 2 {
			t.Errorf("%d pages, want one for the owner and one of proof", strings.Count(text, "\f"))
		}
	})
	t.Run("large boat", func(t *testing.T) {
		text := read(t, writePDF(t, build(t, 90)))
		pages := strings.Split(strings.TrimSuffix(text, "\f"), "\f")
		if len(pages) < 3 {
			t.Fatalf("%d pages, want more", len(pages))
		}
		// The name of each tank sensor wraps to several lines; a row cut by a page end would leave its first line without its last.
		first, last := 0, 0
		for i, p := range pages {
			f, l := strings.Count(p, "Larkfin Marine PT1 tank"), strings.Count(p, "to wrap")
			if f != l {
				t.Errorf("page %d begins %d rows and ends %d", i+1, f, l)
			}
			first, last = first+f, last+l
		}
		if first != 88 {
			t.Errorf("%d tank sensors printed, want 88", first)
		}
	})
	t.Run("characters that the font lacks", func(t *testing.T) {
		r := build(t, 2)
		r.Boat.Name = "海鳥 😀"
		text := read(t, writePDF(t, r))
		if !strings.Contains(text, "[U+6D77]") || !strings.Contains(text, "[U+1F600]") {
			t.Errorf("the PDF hides characters: %.400s", text)
		}
	})
}

func TestLogo(t *testing.T) {
	picture := image.NewRGBA(image.Rect(0, 0, 40, 20))
	picture.Set(3, 3, color.RGBA{200, 0, 0, 255})
	var b, page bytes.Buffer
	if err := png.Encode(&b, picture); err != nil {
		t.Fatal(err)
	}
	r := build(t, 2)
	r.Job.Logo = &job.Logo{Data: b.Bytes(), Format: "png", Width: 40, Height: 20}
	writePDF(t, r)
	if err := ServiceRecordHTML(&page, r); err != nil || !strings.Contains(page.String(), `src="data:image/png;base64,`) {
		t.Errorf("the page lacks the logo: %v", err)
	}
}
