package pages

import (
	"cmp"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"syscall"
	"testing"

	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/render"
	"muster/internal/ui"
	"muster/internal/ui/webtest"
)

// serve starts a server of a boat with its pages on a free port, and stops it when the test ends.
func serve(t testing.TB, opt api.Options) *api.Server {
	t.Helper()
	opt.Listen, opt.Log = cmp.Or(opt.Listen, "127.0.0.1:0"), zerolog.Nop()
	s, err := api.New(opt)
	if err != nil {
		t.Fatal(err)
	}
	Add(s)
	webtest.Serve(t, s)
	return s
}

func TestPages(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Version: "v1.2.3"})
	resp, body := webtest.Get(t, s.URL()+"/")
	for _, want := range []string{"Wagtail", "LF9-00117", "測深機 &lt;b&gt;SD2&lt;/b&gt;\\x1b[31m", "\\u202e321", "acknowledged", "4.47, 4.5", "v1.2.3", "manufacturer 2003"} {
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
		if resp, _ := webtest.Get(t, s.URL()+path); resp.StatusCode != 200 || !strings.HasPrefix(resp.Header.Get("Content-Type"), kind) {
			t.Errorf("%s: %s %s", path, resp.Status, resp.Header.Get("Content-Type"))
		}
	}
	if resp, _ := webtest.Get(t, s.URL()+"/nothing"); resp.StatusCode != 404 {
		t.Errorf("unknown page: %s", resp.Status)
	}
}

// TestAcceptedAlerts: what the owner lives with is shown with the reason, apart from what is to be seen to, and does not count.
func TestAcceptedAlerts(t *testing.T) {
	r := webtest.Sample(t)
	for i := range r.Alerts {
		r.Alerts[i].Accepted = "she is like that"
	}
	s := serve(t, api.Options{Reports: webtest.NewReports(r)})
	_, page := webtest.Get(t, s.URL()+"/")
	for _, want := range []string{"Nothing needs attention.", " accepted by the owner</summary>", "· accepted: she is like that"} {
		if !strings.Contains(page, want) {
			t.Errorf("the boat's page lacks %q", want)
		}
	}
	if _, page = webtest.Get(t, s.URL()+"/silences"); !strings.Contains(page, "accepted in the config: she is like that") {
		t.Error("the page of silences does not show it")
	}
	if _, page = webtest.Get(t, s.URL()+"/metrics"); !strings.Contains(page, `state="accepted"`) || strings.Contains(page, `state="open"`) {
		t.Error("the metrics do not tell it apart")
	}
}

func TestSilencedWords(t *testing.T) {
	r := webtest.Sample(t)
	r.Alerts[0].ID, r.Alerts[0].Summary = "x:odd", "é\x1b[31m"
	r.Alerts[1].ID, r.Alerts[1].Summary = "x:empty", ""
	device := r.Devices[0].ID
	for _, tt := range []struct {
		of   alert.Silence
		want string
	}{
		{alert.Silence{}, "All alerts"},
		{alert.Silence{Alert: "x:odd"}, `é\x1b[31m`},
		{alert.Silence{Alert: "x:empty"}, "x:empty"},
		{alert.Silence{Alert: "gone:a"}, "gone:a"},
		{alert.Silence{Check: "silent", Network: "can0"}, "Check silent on can0"},
		{alert.Silence{Check: "silent", Device: device}, "Check silent on " + render.TitleAt(&r.Devices[0])},
		{alert.Silence{Work: true, Device: "none"}, "Alerts caused by the work on none"},
	} {
		if got := silenced(r, &tt.of); got != tt.want {
			t.Errorf("%+v: %q, want %q", tt.of, got, tt.want)
		}
	}
}

// TestRefusedForms: a form that is not taken is shown again on its page, with what was wrong beside it and what was typed.
func TestRefusedForms(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: &fakeDesk{}})
	for _, tt := range []struct {
		path, form string
		status     int
		want       []string
	}{
		{"/work/manual", "model=+&role=radio&manufacturer=Gannet+%3Cb%3E&note=aft", 422, []string{"<h1>Work</h1>", "model: missing: enter the model of the device",
			`value="Gannet &lt;b&gt;"`, `value="aft"`, `<option selected>radio</option>`, `autofocus`}},
		{"/alerts/acknowledge", "alert=no-address%3Ax&by=Jo", 404, []string{"no active alert", `role="status"`}},
		{"/alerts/acknowledge", "alert=" + url.QueryEscape(openAlertOf(t)) + "&by=+&row=open-" + ui.Slug(openAlertOf(t)), 422,
			[]string{"enter your name", `<details id="open-` + ui.Slug(openAlertOf(t)) + `" open><summary>`}},
		{"/snapshots/take", "", 200, nil},
		{"/work/entry", "kind=hours&hours=much&by=Jo", 422, []string{"<h1>Work</h1>", "is no time worked"}},
		{"/work/manual", "model=" + strings.Repeat("x", api.BodyLimit), 413, []string{"the request is too large: the limit is 1024 kB"}},
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
	if status, words := failedWith(fmt.Errorf("take snapshot: write x: %w", syscall.ENOSPC)); status != 503 || !strings.HasSuffix(words, ": free disk space, and try again") {
		t.Error(status, words)
	}
}

// openAlertOf is an alert of the sample that can be acknowledged.
func openAlertOf(t *testing.T) string {
	for _, a := range webtest.Sample(t).Alerts {
		if a.State == alert.StatusOpen {
			return a.ID
		}
	}
	t.Fatal("none is open")
	return ""
}

// TestLogin: who shows no token gets the page that asks for it, with its style, and goes on to the page asked for, of this server.
func TestLogin(t *testing.T) {
	const act, look = "0123456789abcdef-act", "0123456789abcdef-read"
	s := serve(t, api.Options{Listen: "0.0.0.0:0", Token: act, ReadToken: look, Reports: webtest.NewReports(webtest.Sample(t)), Desk: &fakeDesk{}})
	url := strings.Replace(s.URL(), "[::]", "127.0.0.1", 1)
	for _, tt := range []struct {
		name, path string
		headers    []string
		want       int
	}{
		{"a program", "/", nil, 401},
		{"a person", "/", []string{"Accept", "text/html"}, 401},
		{"cookie of a made-up value", "/", []string{"Cookie", "muster=" + act}, 401},
		{"token", "/", []string{"Authorization", "Bearer " + look}, 200},
		{"style of the login page", "/static/muster.css", nil, 200},
	} {
		if resp, text := webtest.Get(t, url+tt.path, tt.headers...); resp.StatusCode != tt.want {
			t.Errorf("%s: %s, want %d: %.200s", tt.name, resp.Status, tt.want, text)
		}
	}
	form := []string{"Content-Type", "application/x-www-form-urlencoded"}
	if resp, _ := webtest.Ask(t, "POST", url+"/login", "token=wrong", form...); resp.StatusCode != 401 || len(resp.Cookies()) != 0 {
		t.Errorf("wrong token: %s", resp.Status)
	}
	for next, want := range map[string]string{"/network": "/network", "//elsewhere.example": "/", "https://elsewhere.example": "/", `/\elsewhere.example`: "/"} {
		resp, _ := webtest.Ask(t, "POST", url+"/login", "token="+act+"&next="+next, form...)
		if resp.StatusCode != 303 || resp.Header.Get("Location") != want || len(resp.Cookies()) != 1 {
			t.Fatalf("%s to %s", resp.Status, resp.Header.Get("Location"))
		}
		if c := resp.Cookies()[0]; !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || strings.Contains(c.Value, act) {
			t.Errorf("cookie %v", c)
		}
	}
}

// TestOtherMethodsOfPages: a page is not denied because of the method.
func TestOtherMethodsOfPages(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: &fakeDesk{}})
	for _, tt := range []struct {
		method, path string
		status       int
		allow, words string
	}{
		{"POST", "/metrics", 405, "GET, HEAD", "/metrics accepts GET, HEAD, not POST"},
		{"GET", "/work/manual", 405, "POST", "accepts POST"},
		{"PUT", "/nothing", 404, "", "there is no page"},
		{"HEAD", "/network", 200, "", ""},
		{"GET", "/static/", 404, "", "404"},
	} {
		resp, body := webtest.Ask(t, tt.method, s.URL()+tt.path, "")
		if resp.StatusCode != tt.status || resp.Header.Get("Allow") != tt.allow || !strings.Contains(body, tt.words) {
			t.Errorf("%s %s: %s, allows %q\n%s", tt.method, tt.path, resp.Status, resp.Header.Get("Allow"), body)
		}
	}
}
