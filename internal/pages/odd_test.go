package pages

import (
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/ui/webtest"
)

// oddReport is a boat in the states that the simulated ones never come to.
func oddReport(t *testing.T) *report.Report {
	t.Helper()
	r := aboard(t)
	now, yes := r.TakenAt, true
	head, sounder := r.Devices[0].ID, r.Devices[2].ID
	r.Networks[0].ListenOnly, r.Networks[0].State = true, "error-passive"

	r.Alerts[0].Devices = []string{sounder}
	r.Alerts[1].Flapping, r.Alerts[1].SilencedUntil = true, now.Add(time.Hour)
	r.Alerts[2].AcknowledgedBy = "Jo"
	for _, a := range []alert.Alert{
		{ID: "silent:a", State: alert.StatusOpen, Devices: []string{head}, Summary: "accepted", Accepted: "a spare"},
		{ID: "silent:b", State: alert.StatusOpen, Devices: []string{head}, Summary: "open"},
		{ID: "garbled-line:c", State: alert.StatusCleared, Network: "ttyUSB0", Summary: "cleared"},
	} {
		a.Check, _, _ = strings.Cut(a.ID, ":")
		a.Severity, a.Since = check.Warning, now
		r.Alerts = append(r.Alerts, a)
	}

	r.Devices[2].Transmits[0].Selector = new(uint8(3))
	r.Devices[3].Unanswered = "no answer, 3 requests"

	r.Talkers[1].Texts = append(r.Talkers[1].Texts, boat.Text{At: now, Text: "no number"})
	for _, x := range []report.Talker{
		{Talker: "HE", Heartbeat: &boat.Heartbeat{At: now, Normal: &yes}},
		{Talker: "SD", Heartbeat: &boat.Heartbeat{At: now}},
		{Talker: "YX", AIS: &boat.AIS{}},
		{Talker: "ZA", AIS: &boat.AIS{Own: &boat.AISVessel{}}},
	} {
		x.Network, x.Live = "ttyUSB0", &boat.Talker{Last: now}
		r.Talkers = append(r.Talkers, x)
	}
	return r
}

// calmReport is a boat without alerts, on which two of three receivers compete.
func calmReport(t *testing.T) *report.Report {
	t.Helper()
	r := aboard(t)
	r.Alerts, r.Talkers = nil, nil
	for _, id := range []string{"C0788C00FA400101", "C0788C00FA400102"} {
		d := r.Devices[len(r.Devices)-1]
		d.ID, d.Network = id, "can1"
		r.Devices = append(r.Devices, d)
	}
	return r
}

// oddDesk holds the boat against a baseline, and takes nothing.
type oddDesk struct {
	sayingDesk
	base  *snapshot.Snapshot
	named bool
}

func (d *oddDesk) Baseline() (*snapshot.Snapshot, bool) { return d.base, d.named }

// oddWork is a work order that is done, and kept a device back.
func oddWork(t *testing.T) api.Work {
	t.Helper()
	o, _ := release.Plan(webtest.Sample(t), "sha256:"+strings.Repeat("0", 64), "", sheets(t), release.Options{})
	st := o.Steps()[0]
	o.Made, o.Deferred = began, []release.Remark{{Device: st.Device, Version: "1", Why: "no medium"}}
	status := release.StepStatus{Step: st.ID, Label: st.Device.Label, From: st.From, To: st.To}
	status.State, status.LowestVolts = release.StepLeft, new(11.9)
	return api.Work{Order: o, Done: true, Status: []release.StepStatus{status}}
}

// oddServers are a boat in many states at once, one in which nothing is amiss, and one before any traffic that asks for
// a token; compared is the page of the second's two snapshots.
func oddServers(t *testing.T) (odd, calm, empty *api.Server, compared string) {
	t.Helper()
	r, traffic := oddReport(t), api.NewTraffic(0)
	checks := check.DefaultSettings()
	checks.BusLoadHigh.Off, checks.LineSaturated.Off = true, true
	webtest.Hear(traffic, "ttyUSB0", `\s:GP1*00\$GPTXT,01,01,02,odd`, "$GPRMC,,V,,,,,,,,,,N*00")
	desk := &oddDesk{base: snapshot.New(r), named: true}
	until := r.TakenAt.Add(time.Hour)
	desk.work, desk.silences = oddWork(t), []alert.Silence{{Work: true, Device: r.Devices[0].ID, Until: until},
		{Check: "silent", Network: "can0", Until: until, Why: "laid up", By: "Jo"}}
	covering := strings.Replace(keelLayout, "depth}", "depth}, {quantity: course and speed over ground}", 1)
	odd = serve(t, api.Options{Reports: webtest.NewReports(r), Traffic: traffic, Desk: desk,
		Checks: func() *check.Settings { return &checks },
		Plans:  plans(t, covering, "network: can7\n"+keelLayout)})

	reports := webtest.NewReports(nil)
	calm = serve(t, api.Options{Reports: reports, Desk: &oddDesk{base: snapshot.New(r)}})
	ids := make([]string, 2)
	for i := range ids {
		later := calmReport(t)
		later.TakenAt = later.TakenAt.Add(time.Duration(i-1) * time.Hour)
		reports.Set(later)
		k, err := calm.TakeSnapshot()
		if err != nil {
			t.Fatal(err)
		}
		ids[i] = k.ID
	}
	empty = serve(t, api.Options{Reports: webtest.NewReports(&report.Report{}), Token: oddToken, Desk: &oddDesk{}})
	return odd, calm, empty, "/snapshots?before=" + ids[0] + "&after=" + ids[1]
}

const oddToken = "0123456789abcdef-act"

// oddPage is a page of one of the odd boats, or what it answers to a form.
type oddPage struct {
	name   string
	of     *api.Server
	path   string
	form   url.Values
	status int
}

func oddPages(t *testing.T) []oddPage {
	t.Helper()
	odd, calm, empty, compared := oddServers(t)
	r := odd.Options().Reports.Report()
	device := func(id string) string { return "/devices/" + url.PathEscape(id) }
	step := odd.Options().Desk.Job().Work.Status[0].Step
	form := func(text string) url.Values {
		v, err := url.ParseQuery(text)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	return []oddPage{
		{"boat", odd, "/?said=taken", nil, 200},
		{"device", odd, device(r.Devices[2].ID), nil, 200},
		{"device-unknown", odd, device(r.Devices[3].ID), nil, 200},
		{"talker", odd, device("ttyUSB0/GP"), nil, 200},
		{"network", odd, "/network", nil, 200},
		{"work", odd, "/work", nil, 200},
		{"proof", odd, "/snapshots?before=none", nil, 200},
		{"silences", odd, "/silences?alert=silent:b&device=" + r.Devices[0].ID, nil, 200},
		{"traffic", odd, "/traffic", nil, 200},
		{"traffic-sentence", odd, "/traffic?message=RMC", nil, 200},
		{"traffic-message", odd, "/traffic?message=129025", nil, 200},
		{"traffic-refused", odd, "/traffic?message=%21", nil, 200},
		{"acknowledge-refused", odd, "/alerts/acknowledge", form("alert=silent:b&by=Jo"), 422},
		{"manual-refused", odd, "/work/manual", form("model=&manufacturer=Gannet&role=radio"), 422},
		{"read-refused", odd, "/work/entry", form("form=read-" + step + "&kind=read-by-hand&step=" + step + "&version=2&by=Jo"), 422},
		{"editor-block", odd, editorPath, form("p0.name=a&p0.ports=4&p0.isolates=on&p0.length=5+m&p1.name=b&p1.power=on"), 200},
		{"editor-devices", odd, editorPath, form("do=take-devices&p0.name=a&p0.length=5+m&p1.name=b"), 200},
		{"editor-mistake", odd, editorPath, form("do=judge&p0.name=a&p0.length=5&p1.name=b"), 200},
		{"editor-unread", odd, editorPath, form("do=open&text=boat:+[a"), 200},
		{"calm-network", calm, "/network", nil, 200},
		{"calm-proof", calm, "/snapshots", nil, 200},
		{"calm-comparison", calm, compared, nil, 200},
		{"empty-boat", empty, "/", nil, 200},
		{"empty-network", empty, "/network", nil, 200},
		{"empty-work", empty, "/work", nil, 200},
		{"empty-proof", empty, "/snapshots", nil, 200},
		{"empty-silences", empty, "/silences", nil, 200},
		{"empty-traffic", empty, "/traffic", nil, 200},
		{"empty-editor", empty, editorPath, nil, 200},
		{"open-refused", empty, "/work/open", form("number=7"), 422},
		{"login-refused", empty, "/login", form("token=wrong"), 401},
	}
}

// page is what the server answers.
func (p *oddPage) page(t *testing.T) (int, string) {
	t.Helper()
	method, body := "GET", ""
	if p.form != nil {
		method, body = "POST", p.form.Encode()
	}
	resp, page := webtest.Ask(t, method, p.of.URL()+p.path, body, "Accept", "text/html", "Authorization", "Bearer "+oddToken,
		"Content-Type", "application/x-www-form-urlencoded")
	return resp.StatusCode, digest.ReplaceAllString(page, "${1}digest")
}

// TestGoldenOdd holds the states of pages that no simulated boat comes to, and refused forms, to what was looked at.
func TestGoldenOdd(t *testing.T) {
	for _, p := range oddPages(t) {
		t.Run(p.name, func(t *testing.T) {
			status, page := p.page(t)
			if status != p.status {
				t.Errorf("%s answers %d, want %d", p.path, status, p.status)
			}
			webtest.GoldenPage(t, filepath.Join("testdata", "odd", p.name+".html"), page, *update)
		})
	}
}
