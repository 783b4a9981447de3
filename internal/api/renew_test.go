package api

import (
	"crypto/tls"
	"io"
	"net/http"
	"os"
	"strings"
	"testing"

	"muster/internal/ui/webtest"
)

// TestRenew: other tokens and another certificate hold from the next request and connection on; files that cannot be read change nothing.
func TestRenew(t *testing.T) {
	const first, second, look = "0123456789abcdef", "fedcba9876543210", "0000111122223333"
	certFile, keyFile, pool := certificate(t)
	s := serve(t, Options{TLSCert: certFile, TLSKey: keyFile, Token: first, EventEvery: 1, Reports: webtest.NewReports(webtest.Sample(t))})
	ask := func(token, cookie string) int {
		t.Helper()
		client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, DisableKeepAlives: true}}
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, s.URL()+"/api/v1/report", nil)
		if err != nil {
			t.Fatal(err)
		}
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		if cookie != "" {
			req.AddCookie(&http.Cookie{Name: cookieName, Value: cookieValue(cookie)})
		}
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		return resp.StatusCode
	}
	if ask(first, "") != 200 || ask("", first) != 200 || ask(second, "") != 401 {
		t.Error("before")
	}
	if s.NeedsToken() {
		t.Error("a server with TLS wants a token")
	}
	newCert, newKey, newPool := certificate(t)
	if _, err := s.Renew(second, look, newCert, keyFile); err == nil || !strings.Contains(err.Error(), "tls") {
		t.Errorf("a key of another certificate: %v", err)
	}
	if ask(first, "") != 200 {
		t.Error("a renewal that failed changed something")
	}
	for from, to := range map[string]string{newCert: certFile, newKey: keyFile} { // renewed in place
		text, err := os.ReadFile(from)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	renew, err := s.Renew(second, look, certFile, keyFile)
	if err != nil {
		t.Fatal(err)
	}
	if ask(first, "") != 200 {
		t.Error("changed before it was to be")
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, DisableKeepAlives: true}}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, s.URL()+"/api/v1/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+first)
	stream, err := client.Do(req)
	if err != nil || stream.StatusCode != 200 {
		t.Fatal(err, stream)
	}
	defer stream.Body.Close()
	renew()
	if _, err := io.Copy(io.Discard, stream.Body); err != nil { // ends, otherwise the test never does
		t.Error(err)
	}
	pool = newPool
	if ask(first, "") != 401 || ask("", first) != 401 || ask(second, "") != 200 || ask("", second) != 200 || ask(look, "") != 200 {
		t.Error("after")
	}
}

func TestNeedsToken(t *testing.T) {
	for listen, want := range map[string]bool{"127.0.0.1:0": false, "0.0.0.0:0": true} {
		s := serve(t, Options{Listen: listen, Token: "0123456789abcdef", Reports: webtest.NewReports(webtest.Sample(t))})
		if got := s.NeedsToken(); got != want {
			t.Errorf("%s: %v", listen, got)
		}
	}
}
