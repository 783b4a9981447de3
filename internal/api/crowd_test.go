package api

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"muster/internal/config"
	"muster/internal/ui/webtest"
)

// from is a connection of an address.
type from struct {
	net.Conn
	addr   string
	closed *bool
}

func (f from) RemoteAddr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.AddrPortFrom(netip.MustParseAddr(f.addr), 4000))
}

func (f from) Close() error { *f.closed = true; return nil }

func connection(addr string) from { return from{addr: addr, closed: new(bool)} }

// request is one on a connection that the crowd let in.
func (c *crowd) request(t *testing.T, path string, f from) *http.Request {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	return r.WithContext(c.context(r.Context(), f))
}

// TestCrowd: the connection that has been idle longest gives way, first one of the same address; those at work never do; room is kept
// for this computer and for the question after the server's health.
func TestCrowd(t *testing.T) {
	c := newCrowd(nil, bounds{connections: 8, connectionsOf: 3, requests: 6, requestsOf: 2, here: 2})
	work := func(path string, f from) (int, func()) {
		return c.begin(c.request(t, path, f), f.RemoteAddr().(*net.TCPAddr).AddrPort().Addr())
	}
	let := func(addr string) from {
		t.Helper()
		f := connection(addr)
		if !c.enter(f) {
			t.Fatalf("%s was shut out", addr)
		}
		return f
	}

	a1, a2, a3 := let("10.0.0.1"), let("10.0.0.1"), let("10.0.0.1")
	if _, end := work("/", a1); end == nil {
		t.Fatal("a request was refused")
	} else {
		end()
	}
	a4 := let("10.0.0.1") // a1 has worked since: a2 is the oldest
	if *a1.closed || !*a2.closed || *a3.closed {
		t.Errorf("closed: %v %v %v, want the second", *a1.closed, *a2.closed, *a3.closed)
	}
	b1, b2, b3 := let("10.0.0.2"), let("10.0.0.2"), let("2001:db8::1")
	if *a1.closed || *a3.closed || *a4.closed {
		t.Error("there was room for strangers")
	}
	let("2001:db8::2") // six of strangers are open: the oldest of all gives way
	if !*a3.closed || *a4.closed {
		t.Errorf("closed: %v %v, want the one idle longest", *a3.closed, *a4.closed)
	}
	if here := let("127.0.0.1"); *a4.closed || *here.closed {
		t.Error("the room of this computer was not kept")
	}

	var ends []func()
	for _, f := range []from{a1, a4, b1, b2} {
		status, end := work("/", f)
		if status != 0 {
			t.Fatalf("a request was refused: %d", status)
		}
		ends = append(ends, end)
	}
	if status, _ := work("/", a1); status != http.StatusTooManyRequests {
		t.Errorf("a third request of one address: %d", status)
	}
	if status, _ := work("/", b3); status != http.StatusServiceUnavailable {
		t.Errorf("a fifth request of strangers: %d", status)
	}
	for _, f := range []from{b3, let("127.0.0.1")} {
		path := "/"
		if f == b3 {
			path = "/-/healthy"
		}
		if status, end := work(path, f); status != 0 {
			t.Errorf("%s of %s was refused: %d", path, f.addr, status)
		} else {
			end()
		}
	}
	if got := c.refused.Load(); got != 2 {
		t.Errorf("%d refusals counted", got)
	}
	let("10.0.0.3")
	let("10.0.0.3") // takes the place of one that is idle, of whomever
	for _, f := range []from{a1, a4, b1, b2} {
		if *f.closed {
			t.Error("a connection at work was closed")
		}
	}
	for _, end := range ends {
		end()
	}
	c.state(a1, http.StateClosed)
	if c.sum != 0 || len(c.inWork) != 0 || c.guests[a1] != nil {
		t.Errorf("left behind: %d requests, %v", c.sum, c.inWork)
	}
}

// TestAllAtWork: where each connection has a request in work, a new one is closed.
func TestAllAtWork(t *testing.T) {
	c := newCrowd(nil, bounds{connections: 2, connectionsOf: 2, requests: 9, requestsOf: 9})
	for range 2 {
		f := connection("10.0.0.1")
		if !c.enter(f) {
			t.Fatal("shut out")
		}
		c.begin(c.request(t, "/", f), netip.MustParseAddr("10.0.0.1"))
	}
	for _, addr := range []string{"10.0.0.1", "10.0.0.2"} {
		if c.enter(connection(addr)) {
			t.Errorf("%s was let in", addr)
		}
	}
}

// TestIdleCrowd: 1,100 idle connections keep nobody out.
func TestIdleCrowd(t *testing.T) {
	s := serve(t, Options{Reports: webtest.NewReports(webtest.Sample(t)), headerWithin: time.Hour})
	for range 1100 {
		c, err := net.Dial("tcp", s.gate.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
	}
	for _, path := range []string{"/-/healthy", Prefix + "/report"} {
		resp, text := webtest.Get(t, s.URL()+path)
		if resp.StatusCode != 200 {
			t.Errorf("%s: %s %.80s", path, resp.Status, text)
		}
	}
	if resp, text := webtest.Get(t, s.URL()+"/metrics"); resp.StatusCode != 200 || strings.Contains(text, `muster_http_refused_total{reason="connection"} 0`) {
		t.Errorf("%s: those closed are not counted", resp.Status)
	}
}

// TestWrongTokens: the answers to wrong tokens of one address come ever later, then tokens are not looked at; others notice nothing,
// nor does a page that is signed in.
func TestWrongTokens(t *testing.T) {
	const token = "0123456789abcdef"
	synctest.Test(t, func(t *testing.T) {
		d := NewDoor(token, "", true, "boat")
		handler := d.Guard(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
		ask := func(addr string, change func(*http.Request)) int {
			r := httptest.NewRequest(http.MethodGet, "/api/v1/report", nil)
			r.RemoteAddr = addr + ":4000"
			change(r)
			w := httptest.NewRecorder()
			handler.ServeHTTP(w, r)
			return w.Code
		}
		bearer := func(token string) func(*http.Request) {
			return func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+token) }
		}
		begun := time.Now()
		for range wrongAtOnce {
			ask("10.0.0.1", bearer("wrong"))
		}
		if took := time.Since(begun); took != 0 {
			t.Errorf("the first answers took %v", took)
		}
		if ask("10.0.0.1", bearer("wrong")); time.Since(begun) != wrongEach {
			t.Errorf("the next answer took %v, want %v", time.Since(begun), wrongEach)
		}
		for range 2 * wrongWaiting {
			go ask("10.0.0.1", bearer("wrong"))
		}
		synctest.Wait()
		if got := ask("10.0.0.1", bearer(token)); got != http.StatusTooManyRequests {
			t.Errorf("a token after so many wrong ones: %d", got)
		}
		if got := ask("10.0.0.2", bearer(token)); got != http.StatusOK {
			t.Errorf("another address: %d", got)
		}
		if got := ask("10.0.0.1", func(r *http.Request) { r.AddCookie(&http.Cookie{Name: cookieName, Value: cookieValue(token)}) }); got != http.StatusOK {
			t.Errorf("a page that is signed in: %d", got)
		}
		time.Sleep(time.Minute)
		if got := ask("10.0.0.1", bearer(token)); got != http.StatusOK {
			t.Errorf("a minute later: %d", got)
		}
	})
}

// TestPatience: wrong tokens are logged once a minute with their number, and addresses without end take no memory without end.
func TestPatience(t *testing.T) {
	p, now := newPatience(), time.Date(2026, 5, 2, 8, 0, 0, 0, time.UTC)
	var logged []uint64
	for i := range 3 * mostStrangers {
		a := netip.AddrFrom4([4]byte{10, 0, byte(i >> 8), byte(i)})
		if _, log := p.wrong(a, now.Add(time.Duration(i)*time.Second/20)); log > 0 {
			logged = append(logged, log)
		}
	}
	if len(p.of) > mostStrangers {
		t.Errorf("%d addresses are kept", len(p.of))
	}
	if got := fmt.Sprint(logged); got != "[1 1200 1200]" {
		t.Errorf("logged %s", got)
	}
	if p.count() != 3*mostStrangers {
		t.Errorf("%d counted", p.count())
	}
}

// TestClient: only a proxy that the config names is believed.
func TestClient(t *testing.T) {
	proxies, err := config.Networks([]string{"10.0.0.1", "192.168.0.0/16", "::1"})
	if err != nil {
		t.Fatal(err)
	}
	d := NewDoor("", "", false, "boat")
	d.Behind(proxies)
	for _, tt := range []struct{ peer, forwarded, proto, want string }{
		{"10.0.0.1:80", "203.0.113.7", "https", "203.0.113.7 true"},
		{"10.0.0.1:80", "127.0.0.1, 203.0.113.7, 192.168.3.4", "", "203.0.113.7 false"}, // the client's own word is the first
		{"10.0.0.1:80", "192.168.3.4", "http", "192.168.3.4 false"},
		{"10.0.0.1:80", "somebody", "", "invalid IP false"},
		{"10.0.0.1:80", "", "", "10.0.0.1 false"},
		{"10.0.0.2:80", "203.0.113.7", "https", "10.0.0.2 false"},
		{"[::1]:80", "2001:db8::7", "https", "2001:db8::7 true"},
		{"[::ffff:10.0.0.1]:80", "203.0.113.7", "", "203.0.113.7 false"},
		{"nonsense", "203.0.113.7", "https", "invalid IP false"},
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.RemoteAddr = tt.peer
		if tt.forwarded != "" {
			r.Header.Set("X-Forwarded-For", tt.forwarded)
		}
		r.Header.Set("X-Forwarded-Proto", tt.proto)
		if got := fmt.Sprint(d.client(r), d.Secure(r)); got != tt.want {
			t.Errorf("%s, forwarded for %q: %s, want %s", tt.peer, tt.forwarded, got, tt.want)
		}
	}
}

// TestBehindProxy: without a token, nobody is taken for a user of this computer because a proxy here passes his request on.
func TestBehindProxy(t *testing.T) {
	for _, tt := range []struct {
		name      string
		proxies   []string
		forwarded string
		want      int
	}{
		{"a user of this computer", nil, "", 204},
		{"a proxy that nobody named", nil, "203.0.113.7", 403},
		{"a proxy that the config names", []string{"127.0.0.1"}, "203.0.113.7", 403},
		{"a user of this computer through it", []string{"127.0.0.1"}, "127.0.0.1", 204},
	} {
		proxies, err := config.Networks(tt.proxies)
		if err != nil {
			t.Fatal(err)
		}
		d := NewDoor("", "", false, "boat")
		d.Behind(proxies)
		r := httptest.NewRequest(http.MethodPost, "http://localhost/act", nil)
		r.RemoteAddr = "127.0.0.1:4000"
		if tt.forwarded != "" {
			r.Header.Set("X-Forwarded-For", tt.forwarded)
		}
		w := httptest.NewRecorder()
		d.Guard(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(204) })).ServeHTTP(w, r)
		if w.Code != tt.want {
			t.Errorf("%s: %d, want %d: %s", tt.name, w.Code, tt.want, w.Body)
		}
	}
	// signing in over TLS that ends at the proxy
	proxies, _ := config.Networks([]string{"127.0.0.1"})
	d := NewDoor("0123456789abcdef", "", false, "boat")
	d.Behind(proxies)
	r := httptest.NewRequest(http.MethodPost, "/login", strings.NewReader("token=0123456789abcdef"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.RemoteAddr = "127.0.0.1:4000"
	r.Header.Set("X-Forwarded-Proto", "https")
	w := httptest.NewRecorder()
	d.Guard(http.HandlerFunc(d.Login)).ServeHTTP(w, r)
	if resp := w.Result(); len(resp.Cookies()) != 1 || !resp.Cookies()[0].Secure || resp.Header.Get("Strict-Transport-Security") == "" {
		t.Errorf("%d %v %v", w.Code, resp.Cookies(), resp.Header)
	}
	_, _ = io.Copy(io.Discard, w.Body)
}
