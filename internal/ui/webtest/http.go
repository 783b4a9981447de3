package webtest

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
)

// Server answers until it is stopped.
type Server interface {
	Serve() error
	Stop(context.Context) error
}

// Serve lets a server answer until the test ends.
func Serve(t testing.TB, s Server) {
	t.Helper()
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
}

// Get asks for a page with headers as name, value, name, value…
func Get(t testing.TB, url string, headers ...string) (*http.Response, string) {
	t.Helper()
	return Ask(t, http.MethodGet, url, "", headers...)
}

// Ask sends a request with headers as name, value, name, value… A body is JSON unless they set another type. No
// redirection is followed.
func Ask(t testing.TB, method, url, body string, headers ...string) (*http.Response, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
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
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, string(text)
}

// Fetch is the body at an address, which must exist.
func Fetch(t testing.TB, url string) []byte {
	t.Helper()
	resp, text := Get(t, url)
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("GET %s: %s", url, resp.Status)
	}
	return []byte(text)
}
