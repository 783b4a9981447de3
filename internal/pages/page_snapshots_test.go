package pages

import (
	"bytes"
	"image"
	"image/png"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/api"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/snapshot"
	"muster/internal/ui/webtest"
)

// orderDesk has a job with an order, when it has one.
type orderDesk struct {
	api.NoDesk
	work   api.Work
	closed bool
}

func (d *orderDesk) Job() *api.Job {
	if d.work.Order == nil {
		return nil
	}
	j := &api.Job{Folder: "00001-7", Stage: api.StageWork, Work: d.work, Lines: 9, Opening: job.Opening{Number: "7", Customer: "A. Customer"}}
	if d.closed {
		j.Stage = api.StageClosed
	}
	return j
}

func sheets(t testing.TB) *release.Sheets {
	t.Helper()
	s, err := release.LoadFS(t.Context(), os.DirFS("../../deploy/sheets"), "sheets")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// proved takes a snapshot, lets a display be updated by an order, takes another, and returns the query that names
// both.
func proved(t *testing.T, opt api.Options, from, to string) (s *api.Server, desk *orderDesk, query string) {
	t.Helper()
	r := webtest.Sample(t)
	r.Devices[0].Product.Software = from
	f := webtest.NewReports(r)
	order, _ := release.Plan(r, "sha256:"+strings.Repeat("0", 64), "", sheets(t), release.Options{})
	if len(order.Steps()) == 0 {
		t.Fatal("nothing to update")
	}
	desk = &orderDesk{}
	opt.Reports, opt.Desk = f, desk
	s = serve(t, opt)
	ids := make([]string, 2)
	for i := range ids {
		if i == 1 {
			later := webtest.Sample(t)
			later.TakenAt = later.TakenAt.Add(time.Hour)
			later.Devices[0].Product.Software = to
			f.Set(later)
		}
		k, err := s.TakeSnapshot()
		if err != nil {
			t.Fatal(err)
		}
		ids[i] = k.ID
	}
	st := order.Steps()[0]
	left := event.At(time.Date(2026, 5, 2, 8, 20, 0, 0, time.UTC))
	desk.work = api.Work{Order: order, Status: []release.StepStatus{{Step: st.ID, Label: st.Device.Label, From: st.From, To: st.To, State: release.StepVerified,
		LeftAt: left, VerifiedAt: left.Add(9 * time.Minute), Notes: []string{"away for 9 min"}, ByHand: &release.ByHand{By: "Ilse Övningså"}}}}
	return s, desk, "?before=" + ids[0] + "&after=" + ids[1]
}

// TestSnapshotsOfAnOrder: a technician who has only an order fills in nothing and gets a whole record with its steps, while the order is
// followed and after that has ended.
func TestSnapshotsOfAnOrder(t *testing.T) {
	s, desk, query := proved(t, api.Options{}, "4.47", "4.52")
	label := desk.work.Status[0].Label
	_, page := webtest.Get(t, s.URL()+"/snapshots"+query)
	for _, want := range []string{`value="2 May 2026"`, "Update " + label + " from 4.47 to 4.52", `name="order"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the form lacks %q:\n%s", want, page)
		}
	}
	if strings.Contains(page[strings.Index(page, "Service record"):], "required") {
		t.Error("the form asks for what the technician has not got")
	}
	step := desk.work.Status[0].Step + " " + label + ", 4.47 → 4.52: read by hand, 2026-05-02 08:29:00 UTC 1 2026-05-02 08:20:00 to – away for 9 min"
	for _, when := range []string{"while it is followed", "after it has ended"} {
		_, page := webtest.Get(t, s.URL()+"/snapshots/record"+query+"&order=yes&number=")
		if text := words(page); !strings.Contains(text, step) || !strings.Contains(page, "<h1>Service record</h1>") {
			t.Errorf("%s the record lacks the step %q, or its head:\n%s", when, step, text)
		}
		desk.closed = true
	}
	if _, page := webtest.Get(t, s.URL()+"/snapshots/record"+query); strings.Contains(page, "Work order") {
		t.Error("steps that nobody asked for")
	}
	other := *desk.work.Order
	other.Boat.ID = "heron"
	desk.work = api.Work{Order: &other}
	if resp, page := webtest.Get(t, s.URL()+"/snapshots/record"+query+"&order=yes"); resp.StatusCode != 422 || !strings.Contains(page, "heron") {
		t.Errorf("the order of another boat: %s", resp.Status)
	}
}

// TestSnapshotsOrderOfVersions: the release sheets decide which of two versions is newer; without them it is unknown.
func TestSnapshotsOrderOfVersions(t *testing.T) {
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
			s, _, query := proved(t, api.Options{Sheets: tt.sheets}, tt.from, tt.to)
			change := tt.from + " → " + tt.to + " (" + tt.want + ")"
			if _, page := webtest.Get(t, s.URL()+"/snapshots"+query); !strings.Contains(words(page), change) {
				t.Errorf("the page does not say %q:\n%s", change, words(page))
			}
			_, page := webtest.Get(t, s.URL()+"/snapshots/record"+query)
			if strings.ContainsAny(page, "\x1b\u202e") {
				t.Error("the record holds what steers a reader's screen")
			}
			if text := words(page); !strings.Contains(text, tt.from+" "+tt.to+" "+tt.record) {
				t.Errorf("the record does not say %s to %s: %s:\n%s", tt.from, tt.to, tt.record, text)
			}
		})
	}
}

// TestSnapshotsJob: the form begins with what the job file gives, and the record has its logo and address too.
func TestSnapshotsJob(t *testing.T) {
	dir := t.TempDir()
	var logo bytes.Buffer
	if err := png.Encode(&logo, image.NewGray(image.Rect(0, 0, 8, 4))); err != nil {
		t.Fatal(err)
	}
	text := "technician: Ilse Övningså\nshop: {name: Example Marine Electronics, address: [Slipway 3], logo: logo.png}\n" +
		"remains: [{check: no-address, why: waits for a part}]\nnotes: [The card lies in the chart table.]\ncautions: [Calibrate the compass anew.]\n"
	for name, data := range map[string][]byte{"logo.png": logo.Bytes(), "job.yaml": []byte(text)} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := job.Load(t.Context(), filepath.Join(dir, "job.yaml")); err == nil || !strings.Contains(err.Error(), "number is missing") {
		t.Errorf("one job's file without a number: %v", err)
	}
	shared, err := job.LoadShared(t.Context(), filepath.Join(dir, "job.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	s, _, query := proved(t, api.Options{Job: func() *job.Job { return shared }}, "4.47", "4.52")
	_, page := webtest.Get(t, s.URL()+"/snapshots"+query)
	for _, want := range []string{`name="technician" maxlength="80" value="Ilse Övningså" autocomplete="name"`, `value="Example Marine Electronics"`, `value="waits for a part"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the form lacks %q", want)
		}
	}
	form := url.Values{"number": {"2026-114"}, "technician": {"Ben"}, "shop": {"Example Marine Electronics"}, "note": {"Moored at berth 12."}, "why-no-address": {""}}
	_, page = webtest.Get(t, s.URL()+"/snapshots/record"+query+"&"+form.Encode())
	for _, want := range []string{"Service record 2026-114", "Slipway 3", "Ben", "data:image/png;base64,", "The card lies in the chart table.", "Moored at berth 12.", "Calibrate the compass anew."} {
		if !strings.Contains(page, want) {
			t.Errorf("the record lacks %q", want)
		}
	}
	if strings.Contains(page, "Ilse") || strings.Contains(page, "waits for a part") {
		t.Error("the record has what the form took away")
	}
	if len(shared.Notes) != 1 || len(shared.OpenItems) != 1 {
		t.Errorf("the job file's own texts became %v %v", shared.Notes, shared.OpenItems)
	}
}

// TestFormerPath: a bookmark of the former path leads to the snapshots, with its query.
func TestFormerPath(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t))})
	for from, to := range map[string]string{"/proof": "/snapshots", "/proof?before=a&after=b": "/snapshots?before=a&after=b", "/proof/record.pdf?before=a": "/snapshots/record.pdf?before=a"} {
		resp, err := http.DefaultTransport.RoundTrip(httptest.NewRequest(http.MethodGet, s.URL()+from, nil))
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if got := resp.Header.Get("Location"); resp.StatusCode != http.StatusMovedPermanently || got != to {
			t.Errorf("%s: %s to %q, want %q", from, resp.Status, got, to)
		}
	}
}

// TestSnapshotsDocuments: the comparison is on the page, and its record is a page and a PDF with the job of the form.
func TestSnapshotsDocuments(t *testing.T) {
	s, _, query := proved(t, api.Options{}, "4.47", "4.5")
	if resp, text := webtest.Get(t, s.URL()+"/snapshots"+query); resp.StatusCode != 200 || !strings.Contains(text, "4.47 → 4.5") {
		t.Errorf("page: %s %s", resp.Status, text)
	}
	for path, start := range map[string]string{"/snapshots/record": "<!DOCTYPE html>", "/snapshots/record.pdf": "%PDF-"} {
		if resp, text := webtest.Get(t, s.URL()+path+query); resp.StatusCode != 200 || !strings.HasPrefix(strings.ToLower(text), strings.ToLower(start)) {
			t.Errorf("%s: %s %.80s", path, resp.Status, text)
		}
	}
	record := s.URL() + "/snapshots/record" + query
	if _, text := webtest.Get(t, record+"&number=2026-114&technician=Ilse+%C3%96vnings%C3%A5&shop=Example+Marine+Electronics&note=%3Cb%3E&why-no-address=waits+for+a+part"); !strings.Contains(text, "2026-114") ||
		!strings.Contains(text, "Ilse Övningså") || !strings.Contains(text, "Example Marine Electronics") || !strings.Contains(text, "waits for a part") || strings.Contains(text, "<li><b><") {
		t.Errorf("the job in the record: %s", text)
	}
	if resp, text := webtest.Get(t, record+"&technician="+strings.Repeat("x", 81)); resp.StatusCode != 422 || !strings.Contains(text, "shorten it") {
		t.Errorf("a long name: %s %s", resp.Status, text)
	}
}

// namedBaseline is a desk whose config names the baseline.
type namedBaseline struct {
	api.NoDesk
	snap *snapshot.Snapshot
}

func (d *namedBaseline) Baseline() (*snapshot.Snapshot, bool) { return d.snap, true }

// TestNamedBaseline: a baseline that the config names is shown as such, and no form changes it.
func TestNamedBaseline(t *testing.T) {
	r := webtest.Sample(t)
	s := serve(t, api.Options{Reports: webtest.NewReports(r), Desk: &namedBaseline{snap: snapshot.New(r)}})
	_, page := webtest.Get(t, s.URL()+"/snapshots")
	if !strings.Contains(page, "The baseline is set in the config.") || strings.Contains(page, "Remove baseline") || strings.Contains(page, "Set baseline") {
		t.Errorf("the page says of a baseline of the config:\n%s", page)
	}
}
