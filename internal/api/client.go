package api

import (
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"time"
)

// client is the address that a request comes from: of the connection, or what a proxy of ours says of the client before it.
func (d *Door) client(r *http.Request) netip.Addr {
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	from := at.Addr().Unmap()
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for _, hop := range slices.Backward(hops) {
		if !d.proxy(from) || strings.TrimSpace(hop) == "" {
			break
		}
		before, err := netip.ParseAddr(strings.TrimSpace(hop))
		if err != nil {
			return netip.Addr{} // nobody is known by it
		}
		from = before.Unmap()
	}
	return from
}

func (d *Door) proxy(a netip.Addr) bool {
	return slices.ContainsFunc(d.proxies, func(p netip.Prefix) bool { return p.Contains(a) })
}

// Secure reports whether the client's own connection is encrypted.
func (d *Door) Secure(r *http.Request) bool {
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	return d.tls || err == nil && d.proxy(at.Addr().Unmap()) && strings.EqualFold(r.Header.Get("X-Forwarded-Proto"), "https")
}

// tooManyGuesses refuses a token of an address that showed too many wrong ones, without looking at it. Cookies cannot be guessed, so
// that whoever is signed in stays in.
func (d *Door) tooManyGuesses(w http.ResponseWriter, r *http.Request) bool {
	if d.open() || r.Header.Get("Authorization") == "" || !d.patience.lost(network(d.client(r)), time.Now()) {
		return false
	}
	w.Header().Set("Retry-After", "60")
	refuse(w, r, http.StatusTooManyRequests, "too many wrong tokens came from this address: wait a minute")
	return true
}

// wait lets the answer to a wrong token wait, and reports whether the client still does.
func (d *Door) wait(r *http.Request) bool {
	client := d.client(r)
	wait, log := d.patience.wrong(network(client), time.Now())
	if log > 0 {
		d.log.Warn().Uint64("wrong", log).Stringer("latest_from", client).Msg("wrong tokens were shown")
	}
	select {
	case <-r.Context().Done():
		return false
	case <-time.After(wait):
		return true
	}
}
