package api

import (
	"bufio"
	"cmp"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"

	"github.com/rs/zerolog"

	"muster/internal/report"
	"muster/internal/ui/webtest"
)

// serve starts a server on a free port and stops it when the test ends.
func serve(t testing.TB, opt Options) *Server {
	t.Helper()
	opt.Listen, opt.Log = cmp.Or(opt.Listen, "127.0.0.1:0"), zerolog.Nop()
	s, err := New(opt)
	if err != nil {
		t.Fatal(err)
	}
	webtest.Serve(t, s)
	return s
}

func TestReport(t *testing.T) {
	s := serve(t, Options{Reports: webtest.NewReports(webtest.Sample(t))})
	resp, body := webtest.Get(t, s.URL()+"/api/v1/report")
	var r report.Report
	if err := json.Unmarshal([]byte(body), &r); err != nil || len(r.Units) != 8 || r.Schema != report.V2 {
		t.Errorf("%v, %d units, schema %s", err, len(r.Units), r.Schema)
	}
	etag := resp.Header.Get("ETag")
	old, body := webtest.Get(t, s.URL()+"/api/v1/report?version=1")
	var before report.Report
	if err := json.Unmarshal([]byte(body), &before); err != nil || len(before.Old) != 6 || before.Units != nil || before.Schema != report.V1 {
		t.Errorf("version 1: %v, %d devices, %d units, schema %s", err, len(before.Old), len(before.Units), before.Schema)
	}
	if old.Header.Get("ETag") == etag {
		t.Error("both versions have one etag")
	}
	if resp, body := webtest.Get(t, s.URL()+"/api/v1/report", "If-None-Match", `"x", W/`+etag); resp.StatusCode != http.StatusNotModified || body != "" {
		t.Errorf("known etag: %s %q", resp.Status, body)
	}
}

func TestHealth(t *testing.T) {
	f := webtest.NewReports(&report.Report{})
	f.Missing = errors.New("can0 is down")
	s := serve(t, Options{Reports: f})
	if resp, _ := webtest.Get(t, s.URL()+"/-/healthy"); resp.StatusCode != 200 {
		t.Errorf("healthy: %s", resp.Status)
	}
	if resp, body := webtest.Get(t, s.URL()+"/-/ready"); resp.StatusCode != 503 || body != "not ready: can0 is down\n" {
		t.Errorf("ready: %s %q", resp.Status, body)
	}
}

func TestAccess(t *testing.T) {
	f := webtest.NewReports(webtest.Sample(t))
	t.Run("open address without a token", func(t *testing.T) {
		if s, err := New(Options{Listen: "0.0.0.0:0", Reports: f}); err == nil {
			s.Stop(t.Context())
			t.Error("accepted")
		}
	})
	t.Run("foreign host name", func(t *testing.T) {
		s := serve(t, Options{Reports: f})
		if resp, _ := webtest.Get(t, s.URL()+"/api/v1/report", "Host", "elsewhere.example"); resp.StatusCode != http.StatusMisdirectedRequest {
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
			if resp, _ := webtest.Get(t, url+Prefix+"/report", "Authorization", tt.header); resp.StatusCode != tt.want {
				t.Errorf("%q: %s, want %d", tt.header, resp.Status, tt.want)
			}
		}
	})
}

// TestNoLoginWindow: what a page fetches by itself never makes the browser put up a window that asks for a password.
func TestNoLoginWindow(t *testing.T) {
	s := serve(t, Options{Token: "0123456789abcdef", Reports: webtest.NewReports(webtest.Sample(t))})
	for mode, want := range map[string]int{"": 2, "navigate": 2, "cors": 1, "same-origin": 1} {
		resp, _ := webtest.Get(t, s.URL()+"/api/v1/events", "Sec-Fetch-Mode", mode)
		if got := resp.Header.Values("WWW-Authenticate"); resp.StatusCode != 401 || len(got) != want {
			t.Errorf("%q: %s %q", mode, resp.Status, got)
		}
	}
}

func TestEvents(t *testing.T) {
	f := webtest.NewReports(webtest.Sample(t))
	s := serve(t, Options{Reports: f, EventEvery: 1, MaxEventListeners: 1})
	resp, err := http.Get(s.URL() + "/api/v1/events")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp2, _ := webtest.Get(t, s.URL()+"/api/v1/events"); resp2.StatusCode != http.StatusServiceUnavailable {
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
	newer := webtest.Sample(t)
	newer.Boat.Name = "Merlin"
	f.Set(newer)
	if second := next(); second == first {
		t.Errorf("a newer report has the same mark %s", second)
	}
}
