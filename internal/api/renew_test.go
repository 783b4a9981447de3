package api

import (
	"crypto/tls"
	"io"
	"net/http"
	"os"
	"path/filepath"
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

// TestClientCertificate: with an authority of clients, only whoever shows a certificate of it is let in, by TLS 1.2 and 1.3.
func TestClientCertificate(t *testing.T) {
	certFile, keyFile, pool := certificate(t)
	ours, oursKey, _ := certificate(t)
	other, otherKey, _ := certificate(t)
	s := serve(t, Options{TLSCert: certFile, TLSKey: keyFile, ClientCA: ours, Reports: webtest.NewReports(webtest.Sample(t))})
	for _, tt := range []struct {
		name, cert, key string
		version         uint16
		ok              bool
	}{
		{"TLS 1.2", ours, oursKey, tls.VersionTLS12, true},
		{"TLS 1.3", ours, oursKey, tls.VersionTLS13, true},
		{"no certificate", "", "", tls.VersionTLS13, false},
		{"no certificate by 1.2", "", "", tls.VersionTLS12, false},
		{"another authority's", other, otherKey, tls.VersionTLS13, false},
		{"TLS 1.1", ours, oursKey, tls.VersionTLS11, false},
	} {
		conf := &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS10, MaxVersion: tt.version}
		if tt.cert != "" {
			pair, err := tls.LoadX509KeyPair(tt.cert, tt.key)
			if err != nil {
				t.Fatal(err)
			}
			conf.Certificates = []tls.Certificate{pair}
		}
		client := http.Client{Transport: &http.Transport{TLSClientConfig: conf, DisableKeepAlives: true}}
		resp, err := client.Get(s.URL() + "/api/v1/report")
		if (err == nil) != tt.ok {
			t.Errorf("%s: %v", tt.name, err)
		}
		if err == nil {
			resp.Body.Close()
			if resp.StatusCode != 200 || resp.TLS.Version != tt.version {
				t.Errorf("%s: %s by %s", tt.name, resp.Status, tls.VersionName(resp.TLS.Version))
			}
		}
	}
	nothing := filepath.Join(t.TempDir(), "empty.pem")
	if err := os.WriteFile(nothing, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{nothing, nothing + ".gone"} {
		if s, err := New(Options{Listen: "127.0.0.1:0", TLSCert: certFile, TLSKey: keyFile, ClientCA: file, Reports: webtest.NewReports(webtest.Sample(t))}); err == nil ||
			!strings.Contains(err.Error(), "authority of clients") {
			t.Errorf("%s: %v", file, err)
			if err == nil {
				_ = s.Stop(t.Context())
			}
		}
	}
}
