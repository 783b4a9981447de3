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
	"net/netip"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/rs/zerolog"

	"muster/internal/job"
	"muster/internal/ui"
)

// right is what a request may do.
type right int

const (
	nothing right = iota
	reading
	acting
)

// Door decides who may do what, and sets the headers that protect the reader. Without tokens, users of this computer may act, and
// others, who can connect by TLS only, may read.
type Door struct {
	tokens    atomic.Pointer[tokens]
	tls       bool
	whose     string // what it protects: boat or fleet
	page      LoginPage
	harmless  []string         // paths of posts that change nothing
	secrets   []string         // paths of posts that check a secret of their own
	large     map[string]int64 // bounds of posts by their paths, of those that may be larger than others
	crossSite *http.CrossOriginProtection
	proxies   []netip.Prefix // whose word on the client is believed
	patience  *patience
	crowd     *crowd // nil before Listen
	log       zerolog.Logger
	once      once // of a link
}

// tokens are what a client sends to act and to read; each is empty for none.
type tokens struct{ act, read string }

// NewDoor makes a door. whose names what it protects.
func NewDoor(token, readToken string, tls bool, whose string) *Door {
	d := &Door{tls: tls, whose: whose, crossSite: http.NewCrossOriginProtection(), patience: newPatience(),
		log: zerolog.Nop()}
	d.tokens.Store(&tokens{token, readToken})
	return d
}

// LoginPage asks a person for the token; wrong is the error of the last attempt.
type LoginPage = func(w http.ResponseWriter, r *http.Request, status int, wrong string)

// Ask sets the page that a person without a token gets instead of the page requested. It is called before the door is used.
func (d *Door) Ask(page LoginPage) { d.page = page }

// Allow lets a read token post to a path that changes nothing. It is called before the door is used.
func (d *Door) Allow(path string) { d.harmless = append(d.harmless, path) }

// Entrust lets everybody post to a path, whose handler checks a secret of its own and calls Wrong where it is none. It is called before
// the door is used.
func (d *Door) Entrust(path string) { d.secrets = append(d.secrets, path) }

// Wrong notes a wrong secret: as with tokens, guesses of one address are slowed. It reports false when too many came from there.
func (d *Door) Wrong(r *http.Request) bool {
	return !d.patience.lost(network(d.client(r)), time.Now()) && d.wait(r)
}

// Take lets a post to a path be so many bytes long. It is called before the door is used.
func (d *Door) Take(path string, limit int64) {
	if d.large == nil {
		d.large = map[string]int64{}
	}
	d.large[path] = limit
}

// AsksToken reports whether a token is required.
func (d *Door) AsksToken() bool { return !d.open() }

// Behind names the proxies whose X-Forwarded-For and X-Forwarded-Proto are believed; those of others are not. It is called before the
// door is used.
func (d *Door) Behind(proxies []netip.Prefix) { d.proxies = proxies }

// MayAct reports whether a request may change something.
func (d *Door) MayAct(r *http.Request) bool { return d.right(r) == acting }

// open reports whether no token is required.
func (d *Door) open() bool { return d.tokens.Load().act == "" }

const cookieName = "muster"

// right is what a request may do.
func (d *Door) right(r *http.Request) right {
	may, _ := d.shown(r)
	return may
}

// shown reads the token of a request: a bearer token, a token as password, or the cookie set by signing in. A token that is wrong was
// typed or guessed; a cookie that is wrong is an old one.
func (d *Door) shown(r *http.Request) (may right, wrong bool) {
	if d.open() {
		if d.client(r).IsLoopback() {
			return acting, false
		}
		return reading, false
	}
	token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok {
		_, token, ok = r.BasicAuth()
	}
	if ok {
		may = d.of(token, func(token string) string { return token })
		return may, may == nothing
	}
	if c, err := r.Cookie(cookieName); err == nil {
		return d.of(c.Value, cookieValue), false
	}
	return nothing, false
}

// of compares in constant time; form turns a token into what a client sends for it.
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

// cookieValue represents a token without revealing it. It is invalid once the token is changed.
func cookieValue(token string) string {
	mac := hmac.New(sha256.New, []byte(token))
	mac.Write([]byte("muster page access"))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; manifest-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// BodyLimit bounds every request body: a work order of a hundred steps has a tenth of it.
const BodyLimit = 1 << 20

// PictureLimit bounds the body of a request that may bring a picture: one, and the fields beside it.
const PictureLimit = job.MaxPicture + 64<<10

// PackLimit bounds the body of a request that brings a job in one file, and slowest is how many bytes a second it is to come with.
const (
	PackLimit = job.MaxPack + 64<<10
	slowest   = 250 << 10
)

// Guard protects a handler: it passes the requests that the tokens allow.
func (d *Door) Guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		if d.Secure(r) {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		if d.crowd != nil {
			status, end := d.crowd.begin(r, d.client(r))
			if status != 0 {
				h.Set("Retry-After", "1")
				refuse(w, r, status, "too many requests at one time: try again in a second")
				return
			}
			defer end()
		}
		if r.URL.Path == "/-/healthy" {
			next.ServeHTTP(w, r)
			return
		}
		if d.open() && len(d.proxies) == 0 && r.Header.Get("X-Forwarded-For") != "" {
			refuse(w, r, http.StatusForbidden, "a proxy passes this request on: set a token_file, and name the proxy under proxies")
			return
		}
		if d.open() && !d.tls && !LocalHost(r.Host) {
			// A page of another site must not reach a loopback server by a name of its own.
			refuse(w, r, http.StatusMisdirectedRequest, "open this server by the name localhost or by its address")
			return
		}
		if err := d.crossSite.Check(r); err != nil {
			refuse(w, r, http.StatusForbidden, "a page of another site cannot act here: open the pages of this "+d.whose)
			return
		}
		limit := max(BodyLimit, d.large[r.URL.Path])
		if limit > PictureLimit { // it takes longer than the time for others
			_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(time.Duration(limit/slowest) * time.Second))
		}
		r.Body = lastBody{http.MaxBytesReader(w, r.Body, limit), h}
		if r.URL.Path == "/login" || strings.HasPrefix(r.URL.Path, "/static/") ||
			r.Method == http.MethodPost && slices.Contains(d.secrets, r.URL.Path) {
			next.ServeHTTP(w, r)
			return
		}
		safe := r.Method == http.MethodGet || r.Method == http.MethodHead || r.Method == http.MethodOptions ||
			slices.Contains(d.harmless, r.URL.Path)
		if d.tooManyGuesses(w, r) {
			return
		}
		may, wrong := d.shown(r)
		if wrong && !d.wait(r) {
			return
		}
		switch {
		case may == nothing && d.page != nil && IsPage(r):
			d.page(w, r, http.StatusUnauthorized, "")
		case may == nothing:
			h.Set("WWW-Authenticate", `Bearer realm="muster"`)
			if mode := r.Header.Get("Sec-Fetch-Mode"); mode == "" || mode == "navigate" { // for an open page the browser would open a dialog
				h.Add("WWW-Authenticate", `Basic realm="muster", charset="UTF-8"`)
			}
			refuse(w, r, http.StatusUnauthorized, "this "+d.whose+" requires a token: send it as bearer token, or as password with any user name")
		case may == reading && !safe && d.open():
			refuse(w, r, http.StatusForbidden, "without a token only users of this computer may act: set a token_file")
		case may == reading && !safe:
			refuse(w, r, http.StatusForbidden, "this token may only read: send the token that may act")
		default:
			next.ServeHTTP(w, r)
		}
	})
}

// lastBody closes the connection when a body breaks off, since its rest would be taken for the next request.
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
	return (!strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == ui.ReferencePath) && r.URL.Path != "/metrics" && !strings.HasPrefix(r.URL.Path, "/-/") &&
		strings.Contains(r.Header.Get("Accept"), "text/html")
}

// LocalHost reports whether a Host header names this computer.
func LocalHost(host string) bool {
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
	problem := huma.ErrorModel{Type: ui.ProblemType(status), Title: http.StatusText(status), Status: status, Detail: detail}
	text, _ := json.Marshal(problem) // plain values
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_, _ = w.Write(text)
}

// OtherMethod answers a request for an existing path with another method by the methods of that path (RFC 9110, 9.3.7 and 15.5.6).
// It reports whether it did. The patterns of mux name their methods.
func OtherMethod(mux *http.ServeMux, w http.ResponseWriter, r *http.Request) bool {
	var takes []string
	for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch,
		http.MethodDelete} {
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
	refuse(w, r, http.StatusMethodNotAllowed, fmt.Sprintf("%s accepts %s, not %s", r.URL.Path, list, r.Method))
	return true
}

// Login checks the token of the form and sets the cookie.
func (d *Door) Login(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		d.page(w, r, http.StatusBadRequest, "The form cannot be read.")
		return
	}
	token := strings.TrimSpace(r.PostForm.Get("token"))
	if d.patience.lost(network(d.client(r)), time.Now()) {
		d.page(w, r, http.StatusTooManyRequests, "Too many wrong tokens came from your address. Wait a minute, then try again.")
		return
	}
	if d.open() || d.of(token, func(t string) string { return t }) == nothing {
		if !d.open() && !d.wait(r) {
			return
		}
		d.page(w, r, http.StatusUnauthorized, "This is not a token of this "+d.whose+".")
		return
	}
	d.signIn(w, r, token)
	http.Redirect(w, r, OwnPath(r.PostForm.Get("next")), http.StatusSeeOther)
}

// signIn sets the cookie of a token.
func (d *Door) signIn(w http.ResponseWriter, r *http.Request, token string) {
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: cookieValue(token), Path: "/", HttpOnly: true, Secure: d.Secure(r),
		SameSite: http.SameSiteStrictMode, MaxAge: int((30 * 24 * time.Hour).Seconds())})
}

// Logout deletes the cookie.
func (d *Door) Logout(w http.ResponseWriter, r *http.Request) {
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", HttpOnly: true, Secure: d.Secure(r), SameSite: http.SameSiteStrictMode, MaxAge: -1})
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

// OwnPath is a path of this server, never one that leads elsewhere.
func OwnPath(p string) string {
	if !strings.HasPrefix(p, "/") || strings.HasPrefix(p, "//") || strings.ContainsAny(p, "\\\r\n\t") {
		return "/"
	}
	return p
}
