package web

import (
	"bytes"
	"image"
	"image/png"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
)

// orderDesk has an order that is followed, or was.
type orderDesk struct {
	noDesk
	work Work
	over bool
}

func (d *orderDesk) Work() Work {
	if d.over {
		return Work{}
	}
	return d.work
}

func (d *orderDesk) LastWork() Work { return d.work }

func sheets(t testing.TB) *release.Sheets {
	t.Helper()
	s, err := release.LoadFS(os.DirFS("../../deploy/sheets"), "sheets")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// proved takes a snapshot, lets a head be updated by an order, takes another, and returns the query that names both.
func proved(t *testing.T, opt Options, from, to string) (s *Server, desk *orderDesk, query string) {
	t.Helper()
	f := &fakeReports{report: sample(t)}
	f.report.Devices[0].Product.Software = from
	order, _ := release.Plan(f.report, "sha256:"+strings.Repeat("0", 64), "", sheets(t), release.Options{})
	if len(order.Steps()) == 0 {
		t.Fatal("nothing to update")
	}
	desk = &orderDesk{}
	opt.Reports, opt.Desk = f, desk
	s = serve(t, opt)
	ids := make([]string, 2)
	for i := range ids {
		if i == 1 {
			later := sample(t)
			later.TakenAt = later.TakenAt.Add(time.Hour)
			later.Devices[0].Product.Software = to
			f.set(later)
		}
		k, err := s.takeSnapshot()
		if err != nil {
			t.Fatal(err)
		}
		ids[i] = k.ID
	}
	st := order.Steps()[0]
	left := event.At(time.Date(2026, 5, 2, 8, 20, 0, 0, time.UTC))
	desk.work = Work{Order: order, Status: []release.StepStatus{{Step: st.ID, Label: st.Device.Label, From: st.From, To: st.To, State: release.StepVerified,
		LeftAt: left, VerifiedAt: left.Add(9 * time.Minute), Notes: []string{"away for 9 min"}, ByHand: &release.ByHand{By: "Ilse Åkerström"}}}}
	return s, desk, "?before=" + ids[0] + "&after=" + ids[1]
}

// TestProofOfAnOrder: a technician who has only an order fills in nothing and gets a whole record with its steps, while the order is
// followed and after that has ended.
func TestProofOfAnOrder(t *testing.T) {
	s, desk, query := proved(t, Options{}, "4.47", "4.52")
	label := desk.work.Status[0].Label
	_, page := get(t, s.URL()+"/proof"+query)
	for _, want := range []string{`value="2 May 2026"`, "Update " + label + " from 4.47 to 4.52", `name="order"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the form lacks %q:\n%s", want, page)
		}
	}
	if strings.Contains(page[strings.Index(page, "Service record"):], "required") {
		t.Error("the form asks for what the technician has not got")
	}
	step := desk.work.Status[0].Step + " " + label + ": 4.47 to 4.52 verified 2026-05-02 08:20 2026-05-02 08:29 away for 9 min; read off its screen by Ilse Åkerström"
	for _, when := range []string{"while it is followed", "after it has ended"} {
		_, page := get(t, s.URL()+"/proof/record"+query+"&order=yes&number=")
		if text := words(page); !strings.Contains(text, step) || !strings.Contains(page, "<h1>Service record</h1>") {
			t.Errorf("%s the record lacks the step %q, or its head:\n%s", when, step, text)
		}
		desk.over = true
	}
	if _, page := get(t, s.URL()+"/proof/record"+query); strings.Contains(page, "Work order") {
		t.Error("steps that nobody asked for")
	}
	other := *desk.work.Order
	other.Boat.ID = "heron"
	desk.work = Work{Order: &other}
	if resp, page := get(t, s.URL()+"/proof/record"+query+"&order=yes"); resp.StatusCode != 422 || !strings.Contains(page, "heron") {
		t.Errorf("the order of another boat: %s", resp.Status)
	}
}

// TestProofOrderOfVersions: which of two versions is newer is what the release sheets say; without them nobody knows.
func TestProofOrderOfVersions(t *testing.T) {
	with := func() *release.Sheets { return sheets(t) }
	for _, tt := range []struct {
		name     string
		sheets   func() *release.Sheets
		from, to string
		want     string
		record   string
	}{
		{"newer in decimals", with, "4.47", "4.5", "newer", "updated"},
		{"older in decimals", with, "4.5", "4.47", "older than before", "older than before"},
		{"without sheets", nil, "4.47", "4.5", "which is newer is unknown", "changed"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, _, query := proved(t, Options{Sheets: tt.sheets}, tt.from, tt.to)
			change := tt.from + " → " + tt.to + " (" + tt.want + ")"
			if _, page := get(t, s.URL()+"/proof"+query); !strings.Contains(words(page), change) {
				t.Errorf("the page does not say %q:\n%s", change, words(page))
			}
			_, page := get(t, s.URL()+"/proof/record"+query)
			if strings.ContainsAny(page, "\x1b\u202e") {
				t.Error("the record holds what steers a reader's screen")
			}
			if text := words(page); !strings.Contains(text, tt.from+" "+tt.to+" "+tt.record) {
				t.Errorf("the record does not say %s to %s: %s:\n%s", tt.from, tt.to, tt.record, text)
			}
		})
	}
}

// TestProofJob: the form begins with what the job file gives, and the record has its logo and address too.
func TestProofJob(t *testing.T) {
	dir := t.TempDir()
	var logo bytes.Buffer
	if err := png.Encode(&logo, image.NewGray(image.Rect(0, 0, 8, 4))); err != nil {
		t.Fatal(err)
	}
	text := "technician: Ilse Åkerström\nshop: {name: Quay Electronics, address: [Slipway 3], logo: logo.png}\n" +
		"remains: [{check: no-address, why: waits for a part}]\nnotes: [The card lies in the chart table.]\ncautions: [Calibrate the compass anew.]\n"
	for name, data := range map[string][]byte{"logo.png": logo.Bytes(), "job.yaml": []byte(text)} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := job.Load(filepath.Join(dir, "job.yaml")); err == nil || !strings.Contains(err.Error(), "number is missing") {
		t.Errorf("one job's file without a number: %v", err)
	}
	shared, err := job.LoadShared(filepath.Join(dir, "job.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	s, _, query := proved(t, Options{Job: func() *job.Job { return shared }}, "4.47", "4.52")
	_, page := get(t, s.URL()+"/proof"+query)
	for _, want := range []string{`name="technician" maxlength="80" value="Ilse Åkerström" autocomplete="name"`, `value="Quay Electronics"`, `value="waits for a part"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the form lacks %q", want)
		}
	}
	form := url.Values{"number": {"2026-114"}, "technician": {"Ben"}, "shop": {"Quay Electronics"}, "note": {"Moored at berth 12."}, "why-no-address": {""}}
	_, page = get(t, s.URL()+"/proof/record"+query+"&"+form.Encode())
	for _, want := range []string{"Service record 2026-114", "Slipway 3", "Ben", "data:image/png;base64,", "The card lies in the chart table.", "Moored at berth 12.", "Calibrate the compass anew."} {
		if !strings.Contains(page, want) {
			t.Errorf("the record lacks %q", want)
		}
	}
	if strings.Contains(page, "Ilse") || strings.Contains(page, "waits for a part") {
		t.Error("the record has what the form took away")
	}
	if len(shared.Notes) != 1 || len(shared.Remains) != 1 {
		t.Errorf("the job file's own texts became %v %v", shared.Notes, shared.Remains)
	}
}
