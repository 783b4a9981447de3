package api

import (
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

const (
	wrongAtOnce   = 10          // wrong tokens of one address that are answered at once
	wrongEach     = time.Second // each further one is answered after another
	wrongWaiting  = 10          // so many may wait; then tokens of that address are not looked at
	mostStrangers = 1024        // addresses that are told apart; later ones share one measure
	wrongLogged   = time.Minute // wrong tokens are logged once in this time, with their number
)

// patience slows those who guess tokens.
type patience struct {
	mu     sync.Mutex
	of     map[netip.Addr]*rate.Limiter
	rest   *rate.Limiter
	sum    uint64    // wrong tokens in all
	logged time.Time // when they were last logged
	since  uint64    // those not logged yet
}

func newPatience() *patience {
	return &patience{of: map[netip.Addr]*rate.Limiter{}, rest: rate.NewLimiter(rate.Every(wrongEach), wrongAtOnce)}
}

func (p *patience) measure(from netip.Addr) *rate.Limiter {
	l := p.of[from]
	switch {
	case l != nil:
		return l
	case len(p.of) >= mostStrangers:
		return p.rest
	}
	l = rate.NewLimiter(rate.Every(wrongEach), wrongAtOnce)
	p.of[from] = l
	return l
}

// lost reports whether an address has guessed so much that its tokens are not looked at.
func (p *patience) lost(from netip.Addr, now time.Time) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	l := p.of[from]
	if l == nil && len(p.of) >= mostStrangers {
		l = p.rest
	}
	return l != nil && l.TokensAt(now) <= -wrongWaiting
}

// wrong notes a wrong token: how long its answer waits, and how many are to be logged now, if any.
func (p *patience) wrong(from netip.Addr, now time.Time) (wait time.Duration, log uint64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.of) >= mostStrangers {
		p.forget(now)
	}
	wait = p.measure(from).ReserveN(now, 1).DelayFrom(now)
	p.sum++
	p.since++
	if now.Sub(p.logged) >= wrongLogged {
		log, p.since, p.logged = p.since, 0, now
	}
	return wait, log
}

// forget drops the addresses that have been quiet long enough to begin again.
func (p *patience) forget(now time.Time) {
	for from, l := range p.of {
		if l.TokensAt(now) >= wrongAtOnce {
			delete(p.of, from)
		}
	}
}

// count is how many wrong tokens were shown.
func (p *patience) count() uint64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.sum
}
