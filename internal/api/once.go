package api

import (
	"crypto/rand"
	"net/http"
	"sync"
	"time"
)

// once is a code that signs in whoever shows it first.
type once struct {
	mu    sync.Mutex
	code  string
	until time.Time
}

// SignInOnce makes a code by which the first who opens /login?once=CODE within a time is signed in to act; a later code replaces it.
// Without a token it is empty.
func (s *Server) SignInOnce(within time.Duration) string {
	if s.door.open() {
		return ""
	}
	o := &s.door.once
	o.mu.Lock()
	defer o.mu.Unlock()
	o.code, o.until = rand.Text(), time.Now().Add(within)
	return o.code
}

// spend reports whether a code is the one that holds, which it then does not any longer.
func (o *once) spend(code string, now time.Time) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.code == "" || now.After(o.until) || !same(code, o.code) {
		return false
	}
	o.code = ""
	return true
}

// LoginOnce signs in by a one-time link.
func (d *Door) LoginOnce(w http.ResponseWriter, r *http.Request) {
	act := d.tokens.Load().act
	if act == "" || !d.once.spend(r.URL.Query().Get("once"), time.Now()) {
		if act == "" || d.wait(r) {
			d.page(w, r, http.StatusUnauthorized, "This link was used or is too old. Start muster again for a new one, or enter the token.")
		}
		return
	}
	d.signIn(w, r, act)
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
