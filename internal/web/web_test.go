package web

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/boat"
)

// fakeReports gives whatever report it holds.
type fakeReports struct {
	mu     sync.Mutex
	report *boat.Report
	ready  error
}

func (f *fakeReports) Report() *boat.Report {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.report
}

func (f *fakeReports) Ready() error { return f.ready }

func (f *fakeReports) set(r *boat.Report) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.report = r
}

func sample(t testing.TB) *boat.Report {
	t.Helper()
	text, err := os.ReadFile("testdata/report.json")
	if err != nil {
		t.Fatal(err)
	}
	var r boat.Report
	if err := json.Unmarshal(text, &r); err != nil {
		t.Fatal(err)
	}
	return &r
}

// serve starts a server on a free port and stops it when the test ends.
func serve(t testing.TB, opt Options) *Server {
	t.Helper()
	opt.Log = zerolog.Nop()
	if opt.Listen == "" {
		opt.Listen = "127.0.0.1:0"
	}
	s, err := New(opt)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- s.Serve() }()
	t.Cleanup(func() {
		if err := s.Stop(context.Background()); err != nil {
			t.Error(err)
		}
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return s
}

func get(t *testing.T, url string, headers ...string) (*http.Response, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			req.Host = headers[i+1]
		}
		req.Header.Set(headers[i], headers[i+1])
	}
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, string(body)
}

func TestReport(t *testing.T) {
	s := serve(t, Options{Reports: &fakeReports{report: sample(t)}})
	resp, body := get(t, s.URL()+"/api/v1/report")
	var r boat.Report
	if err := json.Unmarshal([]byte(body), &r); err != nil || len(r.Devices) != 6 {
		t.Errorf("%v, %d devices", err, len(r.Devices))
	}
	etag := resp.Header.Get("ETag")
	if resp, body := get(t, s.URL()+"/api/v1/report", "If-None-Match", `"x", W/`+etag); resp.StatusCode != http.StatusNotModified || body != "" {
		t.Errorf("known etag: %s %q", resp.Status, body)
	}
}

func TestPages(t *testing.T) {
	s := serve(t, Options{Reports: &fakeReports{report: sample(t)}, Version: "v1.2.3"})
	resp, body := get(t, s.URL()+"/")
	for _, want := range []string{"Kestrel", "LF9-00117", "測深機 &lt;b&gt;SD2&lt;/b&gt;\\x1b[31m", "\\u202e321", "acknowledged", "4.47, 4.5", "v1.2.3", "maker 2003"} {
		if !strings.Contains(body, want) {
			t.Errorf("page lacks %q", want)
		}
	}
	if strings.Contains(body, "<b>SD2") || strings.Contains(body, "style=") || strings.Contains(body, "onclick") {
		t.Error("page holds markup of a device, or inline style or script")
	}
	csp := resp.Header.Get("Content-Security-Policy")
	if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
		t.Errorf("policy %q", csp)
	}
	for path, kind := range map[string]string{"/network": "text/html", "/static/muster.css": "text/css", "/static/muster.js": "text/javascript"} {
		if resp, _ := get(t, s.URL()+path); resp.StatusCode != 200 || !strings.HasPrefix(resp.Header.Get("Content-Type"), kind) {
			t.Errorf("%s: %s %s", path, resp.Status, resp.Header.Get("Content-Type"))
		}
	}
	if resp, _ := get(t, s.URL()+"/nothing"); resp.StatusCode != 404 {
		t.Errorf("unknown page: %s", resp.Status)
	}
}

func TestHTMLReport(t *testing.T) {
	var page strings.Builder
	if err := WriteHTML(&page, sample(t), "v1"); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<script", "<link", "src="} {
		if strings.Contains(page.String(), bad) {
			t.Errorf("page is not self-contained: it holds %s", bad)
		}
	}
	if !strings.Contains(page.String(), "@media print") {
		t.Error("page has no style")
	}
}

func TestHealth(t *testing.T) {
	f := &fakeReports{report: &boat.Report{}, ready: errors.New("can0 is down")}
	s := serve(t, Options{Reports: f})
	if resp, _ := get(t, s.URL()+"/-/healthy"); resp.StatusCode != 200 {
		t.Errorf("healthy: %s", resp.Status)
	}
	if resp, body := get(t, s.URL()+"/-/ready"); resp.StatusCode != 503 || body != "not ready: can0 is down\n" {
		t.Errorf("ready: %s %q", resp.Status, body)
	}
}

func TestAccess(t *testing.T) {
	f := &fakeReports{report: sample(t)}
	t.Run("open address without a token", func(t *testing.T) {
		if s, err := New(Options{Listen: "0.0.0.0:0", Reports: f}); err == nil {
			s.Stop(t.Context())
			t.Error("accepted")
		}
	})
	t.Run("foreign host name", func(t *testing.T) {
		s := serve(t, Options{Reports: f})
		if resp, _ := get(t, s.URL()+"/api/v1/report", "Host", "elsewhere.example"); resp.StatusCode != http.StatusMisdirectedRequest {
			t.Errorf("got %s", resp.Status)
		}
	})
	t.Run("token", func(t *testing.T) {
		s := serve(t, Options{Listen: "0.0.0.0:0", Token: "0123456789abcdef", Reports: f})
		url := strings.Replace(s.URL(), "[::]", "127.0.0.1", 1)
		for _, tt := range []struct {
			header string
			want   int
		}{{"", 401}, {"Bearer wrong", 401}, {"Bearer 0123456789abcdef", 200}, {"Basic bXVzdGVyOjAxMjM0NTY3ODlhYmNkZWY=", 200}} {
			if resp, _ := get(t, url+"/", "Authorization", tt.header); resp.StatusCode != tt.want {
				t.Errorf("%q: %s, want %d", tt.header, resp.Status, tt.want)
			}
		}
	})
}

// TestNoLoginWindow: what a page fetches by itself never makes the browser put up a window that asks for a password.
func TestNoLoginWindow(t *testing.T) {
	s := serve(t, Options{Token: "0123456789abcdef", Reports: &fakeReports{report: sample(t)}})
	for mode, want := range map[string]int{"": 2, "navigate": 2, "cors": 1, "same-origin": 1} {
		resp, _ := get(t, s.URL()+"/api/v1/events", "Sec-Fetch-Mode", mode)
		if got := resp.Header.Values("WWW-Authenticate"); resp.StatusCode != 401 || len(got) != want {
			t.Errorf("%q: %s %q", mode, resp.Status, got)
		}
	}
}

func TestEvents(t *testing.T) {
	f := &fakeReports{report: sample(t)}
	s := serve(t, Options{Reports: f, EventEvery: 1, MaxEventListeners: 1})
	resp, err := http.Get(s.URL() + "/api/v1/events")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp2, _ := get(t, s.URL()+"/api/v1/events"); resp2.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("stream above the bound: %s", resp2.Status)
	}
	lines := bufio.NewScanner(resp.Body)
	next := func() string {
		for lines.Scan() {
			if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				return data
			}
		}
		t.Fatalf("stream ended: %v", lines.Err())
		return ""
	}
	first := next()
	newer := sample(t)
	newer.Boat.Name = "Merlin"
	f.set(newer)
	if second := next(); second == first {
		t.Errorf("a newer report has the same mark %s", second)
	}
}

// TestAcceptedAlerts: what the owner lives with is shown with the reason, apart from what is to be seen to, and does not count.
func TestAcceptedAlerts(t *testing.T) {
	r := sample(t)
	for i := range r.Alerts {
		r.Alerts[i].Accepted = "she is like that"
	}
	s := serve(t, Options{Reports: &fakeReports{report: r}})
	_, page := get(t, s.URL()+"/")
	for _, want := range []string{"All in order.", " accepted by the owner</summary>", "· accepted: she is like that"} {
		if !strings.Contains(page, want) {
			t.Errorf("the boat's page lacks %q", want)
		}
	}
	if _, page = get(t, s.URL()+"/silences"); !strings.Contains(page, "accepted in the config: she is like that") {
		t.Error("the page of silences does not show it")
	}
	if _, page = get(t, s.URL()+"/metrics"); !strings.Contains(page, `state="accepted"`) || strings.Contains(page, `state="open"`) {
		t.Error("the metrics do not tell it apart")
	}
}

func TestSilencedWords(t *testing.T) {
	r := sample(t)
	r.Alerts[0].ID, r.Alerts[0].Summary = "x:odd", "é\x1b[31m"
	r.Alerts[1].ID, r.Alerts[1].Summary = "x:empty", ""
	device := r.Devices[0].ID
	for _, tt := range []struct {
		of   alert.Silence
		want string
	}{
		{alert.Silence{}, "Everything"},
		{alert.Silence{Alert: "x:odd"}, `é\x1b[31m`},
		{alert.Silence{Alert: "x:empty"}, "x:empty"},
		{alert.Silence{Alert: "gone:a"}, "gone:a"},
		{alert.Silence{Check: "silent", Network: "can0"}, "Check silent on can0"},
		{alert.Silence{Check: "silent", Device: device}, "Check silent on " + titleAt(&r.Devices[0])},
		{alert.Silence{Work: true, Device: "none"}, "What work brings about on none"},
	} {
		if got := silenced(r, &tt.of); got != tt.want {
			t.Errorf("%+v: %q, want %q", tt.of, got, tt.want)
		}
	}
}

// TestVerdictOfLittle: a boat of which little or nothing is heard is not called more than that.
func TestVerdictOfLittle(t *testing.T) {
	at := sample(t).TakenAt
	silent := []boat.Network{{ID: "can0"}}
	spoke := []boat.Network{{ID: "can0", Frames: 5}}
	talkers := []boat.Talker{{Network: "can0", Talker: "SD"}, {Network: "can0", Talker: "WI"}}
	for _, tt := range []struct {
		report         boat.Report
		sentence, more string
	}{
		{boat.Report{}, "Nothing has been heard yet.", "As soon as a network speaks, its devices stand here."},
		{boat.Report{TakenAt: at, Networks: silent}, "No network has said anything yet.", "See that the networks are switched on and plugged in, and that their speed is right."},
		{boat.Report{TakenAt: at, Networks: spoke}, "Traffic, but no device has made itself known.", "No device is on the roll."},
		{boat.Report{TakenAt: at, Networks: spoke, Talkers: talkers}, "Data is heard; no talker has told what it is.", "2 talkers are heard on NMEA 0183."},
		{boat.Report{TakenAt: at, Networks: spoke, Talkers: talkers[:1], Alerts: []boat.Alert{{Severity: boat.Warning}}}, "Usable, but look at 1 warning.", "1 talker is heard on NMEA 0183."},
		{boat.Report{TakenAt: at, Networks: spoke, Devices: []boat.Device{{State: boat.Silent}}}, "All in order.", "0 of 1 device on the roll answer."},
		{boat.Report{TakenAt: at, Networks: spoke, Devices: []boat.Device{{State: boat.Present}, {State: boat.Gone, Renamed: true}}}, "All in order.", "1 of 1 device on the roll answer."},
	} {
		if v := judge(&tt.report); v.Sentence != tt.sentence || v.More != tt.more {
			t.Errorf("%+v\nwant %q, %q", v, tt.sentence, tt.more)
		}
	}
}

// TestEvidenceTimes: a time of a list reads as one that stands alone.
func TestEvidenceTimes(t *testing.T) {
	if got := EvidenceValue([]any{"2026-11-26T06:42:21.248891637Z", "2.10"}); got != "2026-11-26 06:42:21 UTC, 2.10" {
		t.Error(got)
	}
}

// TestRefusedForms: a form that is not taken is shown again on its page, with what was wrong beside it and what was typed.
func TestRefusedForms(t *testing.T) {
	s := serve(t, Options{Reports: &fakeReports{report: sample(t)}, Desk: &fakeDesk{}})
	for _, tt := range []struct {
		path, form string
		status     int
		want       []string
	}{
		{"/work/manual", "model=+&role=radio&maker=Gannet+%3Cb%3E&note=aft", 422, []string{"<h1>Work</h1>", "model: it is missing: say what the device is",
			`value="Gannet &lt;b&gt;"`, `value="aft"`, `<option selected>radio</option>`, `autofocus`}},
		{"/alerts/acknowledge", "alert=no-address%3Ax&by=Jo", 404, []string{"no standing alert", `role="status"`}},
		{"/alerts/acknowledge", "alert=" + url.QueryEscape(openAlertOf(t)) + "&by=+", 422, []string{"say who acknowledges", ` open><summary>Acknowledge</summary>`}},
		{"/proof/take", "", 200, nil},
		{"/work/end", "", 404, []string{"<h1>Work</h1>", "none is being followed"}},
		{"/work/order", "", 422, []string{"<h1>Work</h1>", "choose the file of a work order"}},
		{"/work/manual", "model=" + strings.Repeat("x", bodyLimit), 413, []string{"what was sent is too large: at most 1024 kB are taken"}},
	} {
		resp, err := http.Post(s.URL()+tt.path, "application/x-www-form-urlencoded", strings.NewReader(tt.form))
		if err != nil {
			t.Fatal(err)
		}
		page, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != tt.status {
			t.Errorf("%s: %v %s", tt.path, err, resp.Status)
		}
		for _, want := range tt.want {
			if !strings.Contains(string(page), want) {
				t.Errorf("%s: the page lacks %q\n%.3000s", tt.path, want, page)
			}
		}
		if strings.Contains(string(page), "data-live") != (tt.status == 200) {
			t.Errorf("%s: a page of a refused form is fetched anew, by an address that has none", tt.path)
		}
	}
	if status, words := failedWith(fmt.Errorf("take snapshot: write x: %w", syscall.ENOSPC)); status != 503 || !strings.HasSuffix(words, ": make room there, and try again") {
		t.Error(status, words)
	}
}

// openAlertOf is an alert of the sample that can be acknowledged.
func openAlertOf(t *testing.T) string {
	for _, a := range sample(t).Alerts {
		if a.State == boat.AlertOpen {
			return a.ID
		}
	}
	t.Fatal("none is open")
	return ""
}
