package api

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/ui/webtest"
)

// dial opens a connection on which the test sends any text, or nothing.
func dial(t *testing.T, s *Server) *net.TCPConn {
	t.Helper()
	c, err := net.Dial("tcp", s.gate.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c.(*net.TCPConn)
}

// TestSlowReader: a page that stops reading its stream is cut off and its place given to another; no other page waits
// for it.
func TestSlowReader(t *testing.T) {
	tr := NewTraffic(0)
	s := serve(t, Options{Reports: webtest.NewReports(webtest.Sample(t)), Traffic: tr, EventEvery: time.Millisecond, MaxEventListeners: 1, slowestRead: 50 * time.Millisecond})
	c := dial(t, s)
	if err := c.SetReadBuffer(4096); err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(c, "GET "+Prefix+"/messages/stream HTTP/1.1\r\nHost: localhost\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	payload := []byte{0, 1, 0, 0, 0, 0, 0, 0xFF}
	tell := func() {
		for range 200 {
			webtest.Note(tr, 128267, payload)
		}
		time.Sleep(time.Millisecond)
	}
	begun := make(chan error, 1)
	go func() { _, err := c.Read(make([]byte, 1)); begun <- err }()
	for waits := true; waits; {
		select {
		case err := <-begun:
			if waits = false; err != nil {
				t.Fatal(err)
			}
		default:
			tell()
		}
	}
	for len(s.turns.streams) == 1 { // nothing is read: the system's buffers fill, then a write takes too long
		tell()
	}
	next, end := follow(t, s.URL()+Prefix+"/messages/stream", s.run+"-1")
	defer end()
	if got := next(); !strings.HasPrefix(got, "skipped ") {
		t.Errorf("the next reader got %.80q", got)
	}
}

// TestHalfOpen: connections that never finish their request keep no other out, and are closed.
func TestHalfOpen(t *testing.T) {
	cert, key, _ := certificate(t)
	for _, tt := range []struct {
		name, says string
		tls        bool
	}{
		{"nothing", "", false},
		{"half a head", "GET / HTTP/1.1\r\nHost: loc", false},
		{"half a body", "POST " + Prefix + "/manual-devices HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100000\r\n\r\n{", false},
		{"half a form", "POST /form HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 100000\r\n\r\nmodel=", false},
		{"no handshake", "", true},
		{"half a handshake", "\x16\x03\x01\x02\x00\x01\x00", true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel() // each waits for the limits, which leave this test's own request time on a loaded computer
			opt := Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: &fakeDesk{}, headerWithin: 3 * time.Second, bodyWithin: 4 * time.Second}
			if tt.tls {
				opt.TLSCert, opt.TLSKey = cert, key
			}
			s := serve(t, opt)
			s.Mux().HandleFunc("POST /form", func(_ http.ResponseWriter, r *http.Request) { _ = r.ParseForm() })
			var open []net.Conn
			for range 50 {
				c := dial(t, s)
				if _, err := io.WriteString(c, tt.says); err != nil {
					t.Fatal(err)
				}
				open = append(open, c)
			}
			if !tt.tls {
				if resp, _ := webtest.Get(t, s.URL()+Prefix+"/report"); resp.StatusCode != 200 {
					t.Error(resp.Status)
				}
			}
			for _, c := range open {
				_, _ = io.Copy(io.Discard, c) // ends when the server closes; otherwise the test never does
			}
		})
	}
}

// certificate makes one for this computer, as PEM files, and the pool that trusts it.
func certificate(t *testing.T) (certFile, keyFile string, pool *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "wagtail"}, DNSNames: []string{"localhost", "wagtail"},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool = x509.NewCertPool()
	pool.AddCert(cert)
	dir := t.TempDir()
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for file, block := range map[string]*pem.Block{certFile: {Type: "CERTIFICATE", Bytes: der}, keyFile: {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return certFile, keyFile, pool
}

func TestTLS(t *testing.T) {
	cert, key, pool := certificate(t)
	s := serve(t, Options{Listen: "0.0.0.0:0", TLSCert: cert, TLSKey: key, Reports: webtest.NewReports(webtest.Sample(t))})
	_, port, err := net.SplitHostPort(s.gate.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	ask := func(url string, c *tls.Config) (*http.Response, string, error) {
		client := http.Client{Transport: &http.Transport{TLSClientConfig: c}}
		defer client.CloseIdleConnections()
		resp, err := client.Get(url)
		if err != nil {
			return nil, "", err
		}
		defer resp.Body.Close()
		text, err := io.ReadAll(resp.Body)
		return resp, string(text), err
	}
	if !strings.HasPrefix(s.URL(), "https://") {
		t.Errorf("the address is given as %s", s.URL())
	}
	resp, text, err := ask("https://127.0.0.1:"+port+Prefix+"/report", &tls.Config{RootCAs: pool})
	if err != nil || resp.StatusCode != 200 || !strings.Contains(text, "Wagtail") || resp.Header.Get("Strict-Transport-Security") == "" || resp.TLS.Version < tls.VersionTLS12 {
		t.Fatalf("%v: %.300s", err, text)
	}
	if _, _, err := ask("https://127.0.0.1:"+port+Prefix+"/report", &tls.Config{RootCAs: x509.NewCertPool()}); err == nil {
		t.Error("a stranger's certificate was taken")
	}
	if _, _, err := ask("https://127.0.0.1:"+port+Prefix+"/report", &tls.Config{RootCAs: pool, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("TLS 1.1 was spoken")
	}
	if resp, text, err := ask("http://127.0.0.1:"+port+Prefix+"/report", nil); err == nil && (resp.StatusCode < 400 || strings.Contains(text, "Wagtail")) {
		t.Errorf("plain HTTP was answered: %s %.200s", resp.Status, text)
	}
	for name, opt := range map[string]Options{"no certificate": {TLSCert: filepath.Join(t.TempDir(), "none.pem"), TLSKey: key}, "key for a certificate": {TLSCert: key, TLSKey: key}} {
		opt.Listen, opt.Reports = "127.0.0.1:0", webtest.NewReports(webtest.Sample(t))
		if s, err := New(opt); err == nil || !strings.HasPrefix(err.Error(), "api: tls: ") {
			t.Errorf("%s: %v", name, err)
			if err == nil {
				_ = s.Stop(t.Context())
			}
		}
	}
}
