package api

import (
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"time"
)

// right is what a request may do.
type right int

const (
	nothing right = iota
	reading
	acting
)

// Door decides who may do what, and sets the headers that protect the reader. Without tokens, this machine's own users may act; others, whom only TLS lets in, may read.
type Door struct {
	tokens    atomic.Pointer[tokens]
	tls       bool
	whose     string // what is behind it: boat or fleet
	page      LoginPage
	harmless  []string // paths of posts that change nothing
	crossSite *http.CrossOriginProtection
}

// tokens are shown by who may act and by who may read; each is empty for none.
type tokens struct{ act, read string }

// NewDoor makes a door. whose says what is behind it.
func NewDoor(token, readToken string, tls bool, whose string) *Door {
	d := &Door{tls: tls, whose: whose, crossSite: http.NewCrossOriginProtection()}
	d.tokens.Store(&tokens{token, readToken})
	return d
}

// LoginPage asks a person for the token; wrong says what was wrong with the one before.
type LoginPage = func(w http.ResponseWriter, r *http.Request, status int, wrong string)

// Ask gives the page that a person without a token gets in the place of the page asked for. It is called before the door is used.
func (d *Door) Ask(page LoginPage) { d.page = page }

// Allow lets those who may only read post to a path: what is sent there changes nothing. It is called before the door is used.
func (d *Door) Allow(path string) { d.harmless = append(d.harmless, path) }

// AsksToken reports whether only who shows a token is let in.
func (d *Door) AsksToken() bool { return !d.open() }

// MayAct reports whether who asks may change something.
func (d *Door) MayAct(r *http.Request) bool { return d.right(r) == acting }

// open reports whether no token is asked for.
func (d *Door) open() bool { return d.tokens.Load().act == "" }

const cookieName = "muster"

// right reads what the request shows: a bearer token, a token as password, or the cookie that logging in sets.
func (d *Door) right(r *http.Request) right {
	if d.open() {
		if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil && net.ParseIP(host).IsLoopback() {
			return acting
		}
		return reading
	}
	shown, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok {
		_, shown, ok = r.BasicAuth()
	}
	if ok {
		return d.of(shown, func(token string) string { return token })
	}
	if c, err := r.Cookie(cookieName); err == nil {
		return d.of(c.Value, cookieValue)
	}
	return nothing
}

// of compares in constant time; form turns a token into what is shown for it.
func (d *Door) of(shown string, form func(string) string) right {
	switch t := d.tokens.Load(); {
	case t.act != "" && same(shown, form(t.act)):
		return acting
	case t.read != "" && same(shown, form(t.read)):
		return reading
	}
	return nothing
}

func same(a, b string) bool {
	x, y := sha256.Sum256([]byte(a)), sha256.Sum256([]byte(b))
	return subtle.ConstantTimeCompare(x[:], y[:]) == 1
}

// cookieValue stands for a token without showing it, and ends being good when the token is changed.
func cookieValue(token string) string {
	mac := hmac.New(sha256.New, []byte(token))
	mac.Write([]byte("muster page access"))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// BodyLimit bounds every request body: a work order of a hundred steps has a tenth of it.
const BodyLimit = 1 << 20

// Guard stands before a handler: it lets in whom the tokens allow.
func (d *Door) Guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		if d.tls {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		if r.URL.Path == "/-/healthy" {
			next.ServeHTTP(w, r)
			return
		}
		if d.open() && !d.tls && !localHost(r.Host) {
			// A page of another site must not reach a loopback server by a name of its own.
			refuse(w, r, http.StatusMisdirectedRequest, "ask for this server by localhost or its address")
			return
		}
		if err := d.crossSite.Check(r); err != nil {
			refuse(w, r, http.StatusForbidden, "a page of another site cannot act here: open this "+d.whose+"'s own pages")
			return
		}
		r.Body = lastBody{http.MaxBytesReader(w, r.Body, BodyLimit), h}
		if r.URL.Path == "/login" || strings.HasPrefix(r.URL.Path, "/static/") {
			next.ServeHTTP(w, r)
			return
		}
		safe := r.Method == http.MethodGet || r.Method == http.MethodHead || r.Method == http.MethodOptions || slices.Contains(d.harmless, r.URL.Path)
		switch may := d.right(r); {
		case may == nothing && d.page != nil && IsPage(r):
			d.page(w, r, http.StatusUnauthorized, "")
		case may == nothing:
			h.Set("WWW-Authenticate", `Bearer realm="muster"`)
			if mode := r.Header.Get("Sec-Fetch-Mode"); mode == "" || mode == "navigate" { // for an open page a browser would put up a window
				h.Add("WWW-Authenticate", `Basic realm="muster", charset="UTF-8"`)
			}
			refuse(w, r, http.StatusUnauthorized, "this "+d.whose+" asks for its token: send it as bearer token, or as password with any user name")
		case may == reading && !safe && d.open():
			refuse(w, r, http.StatusForbidden, "without a token only this machine's own users may act: give the server a token_file")
		case may == reading && !safe:
			refuse(w, r, http.StatusForbidden, "this token may only read: show the one that may act")
		default:
			next.ServeHTTP(w, r)
		}
	})
}

// lastBody ends the connection when a body breaks off, whose rest would be taken for the next request.
type lastBody struct {
	io.ReadCloser
	header http.Header
}

func (b lastBody) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	if err != nil && err != io.EOF {
		b.header.Set("Connection", "close")
	}
	return n, err
}

// IsPage reports whether a person waits for the answer in a browser.
func IsPage(r *http.Request) bool {
	return !strings.HasPrefix(r.URL.Path, "/api/") && r.URL.Path != "/metrics" && !strings.HasPrefix(r.URL.Path, "/-/") &&
		strings.Contains(r.Header.Get("Accept"), "text/html")
}

// localHost reports whether a Host header names this machine itself.
func localHost(host string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// refuse answers with a problem document (RFC 9457), or with a line of text where no program reads it.
func refuse(w http.ResponseWriter, r *http.Request, status int, detail string) {
	if !strings.HasPrefix(r.URL.Path, "/api/") {
		http.Error(w, detail, status)
		return
	}
	text, _ := json.Marshal(map[string]any{"title": http.StatusText(status), "status": status, "detail": detail}) // plain values
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_, _ = w.Write(text)
}

// OtherMethod answers a request for something that is there, but not with this method, by the methods that it takes (RFC 9110, 9.3.7 and
// 15.5.6). It reports whether it has. mux names methods in the patterns of all that is there.
func OtherMethod(mux *http.ServeMux, w http.ResponseWriter, r *http.Request) bool {
	var takes []string
	for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete} {
		if _, pattern := mux.Handler(&http.Request{Method: method, URL: r.URL, Host: r.Host}); strings.Contains(pattern, " ") {
			takes = append(takes, method)
		}
	}
	if len(takes) == 0 {
		return false
	}
	list := strings.Join(takes, ", ")
	w.Header().Set("Allow", list)
	if r.Method == http.MethodOptions {
		w.WriteHeader(http.StatusNoContent)
		return true
	}
	refuse(w, r, http.StatusMethodNotAllowed, fmt.Sprintf("%s takes %s, not %s", r.URL.Path, list, r.Method))
	return true
}

// Login takes the token from the form and gives the cookie.
func (d *Door) Login(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		d.page(w, r, http.StatusBadRequest, "The form could not be read.")
		return
	}
	token := strings.TrimSpace(r.PostForm.Get("token"))
	if d.open() || d.of(token, func(t string) string { return t }) == nothing {
		d.page(w, r, http.StatusUnauthorized, "That is not a token of this "+d.whose+".")
		return
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: cookieValue(token), Path: "/", HttpOnly: true, Secure: d.tls,
		SameSite: http.SameSiteStrictMode, MaxAge: int((30 * 24 * time.Hour).Seconds())})
	http.Redirect(w, r, OwnPath(r.PostForm.Get("next")), http.StatusSeeOther)
}

// Logout takes the cookie back.
func (d *Door) Logout(w http.ResponseWriter, r *http.Request) {
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", HttpOnly: true, Secure: d.tls, SameSite: http.SameSiteStrictMode, MaxAge: -1})
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

// OwnPath is a path of this server, never one that leads elsewhere.
func OwnPath(p string) string {
	if !strings.HasPrefix(p, "/") || strings.HasPrefix(p, "//") || strings.ContainsAny(p, "\\\r\n\t") {
		return "/"
	}
	return p
}
