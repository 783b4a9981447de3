package api

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"sync/atomic"
)

// bounds are how much a server takes at one time.
type bounds struct {
	connections   int // open
	connectionsOf int // of them from one address
	requests      int // in work; event streams count
	requestsOf    int // of them from one address
	here          int // of connections and of requests, kept for this computer
}

var usualBounds = bounds{connections: 1024, connectionsOf: 128, requests: 512, requestsOf: 64, here: 64}

// crowd is a listener that shuts nobody out: where too many connections are open, the one that has been idle longest gives way to the
// new one. Only where each has a request in work, the new one is closed.
type crowd struct {
	net.Listener
	most   bounds
	mu     sync.Mutex
	guests map[net.Conn]*guest
	inWork map[netip.Addr]int
	sum    int    // requests in work
	clock  uint64 // counts what happens, to know who has been idle longest

	closed, refused atomic.Uint64 // connections closed for want of room; requests refused
}

// guest is an open connection.
type guest struct {
	conn   net.Conn
	from   netip.Addr
	inWork int    // requests
	last   uint64 // when it was opened or its last request ended
}

func newCrowd(l net.Listener, most bounds) *crowd {
	return &crowd{Listener: l, most: most, guests: map[net.Conn]*guest{}, inWork: map[netip.Addr]int{}}
}

// Accept implements net.Listener.
func (c *crowd) Accept() (net.Conn, error) {
	for {
		conn, err := c.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if c.enter(conn) {
			return conn, nil
		}
		c.closed.Add(1)
		_ = conn.Close()
	}
}

// enter makes room for a connection, and reports whether there is any.
func (c *crowd) enter(conn net.Conn) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	from, room, own := origin(conn.RemoteAddr().String()), c.most.connections, 0
	if !from.IsLoopback() {
		room -= c.most.here
		for _, g := range c.guests {
			if g.from == from {
				own++
			}
		}
	}
	switch {
	case own >= c.most.connectionsOf && !c.giveWay(func(g *guest) bool { return g.from == from }):
		return false
	case len(c.guests) >= room && !c.giveWay(func(*guest) bool { return true }):
		return false
	}
	c.clock++
	c.guests[conn] = &guest{conn: conn, from: from, last: c.clock}
	return true
}

// giveWay closes the connection that has been idle longest of those that may be closed.
func (c *crowd) giveWay(may func(*guest) bool) bool {
	var oldest *guest
	for _, g := range c.guests {
		if g.inWork == 0 && may(g) && (oldest == nil || g.last < oldest.last) {
			oldest = g
		}
	}
	if oldest == nil {
		return false
	}
	delete(c.guests, oldest.conn)
	c.closed.Add(1)
	_ = oldest.conn.Close()
	return true
}

// state takes from the HTTP server which connections have ended.
func (c *crowd) state(conn net.Conn, s http.ConnState) {
	if s != http.StateClosed && s != http.StateHijacked {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.guests, below(conn))
}

// below is the connection below TLS.
func below(conn net.Conn) net.Conn {
	if t, ok := conn.(*tls.Conn); ok {
		return t.NetConn()
	}
	return conn
}

type guestKey struct{}

// context names the connection to its requests.
func (c *crowd) context(ctx context.Context, conn net.Conn) context.Context {
	c.mu.Lock()
	defer c.mu.Unlock()
	return context.WithValue(ctx, guestKey{}, c.guests[below(conn)])
}

// begin takes a request of a client into work, and reports the status to refuse it with, or 0. The health of the server is always
// answered.
func (c *crowd) begin(r *http.Request, client netip.Addr) (refusal int, end func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	client, room := network(client), c.most.requests
	if !client.IsLoopback() {
		room -= c.most.here
	}
	switch {
	case r.URL.Path == "/-/healthy":
	case !client.IsLoopback() && c.inWork[client] >= c.most.requestsOf:
		refusal = http.StatusTooManyRequests
	case c.sum >= room:
		refusal = http.StatusServiceUnavailable
	}
	if refusal != 0 {
		c.refused.Add(1)
		return refusal, nil
	}
	g, _ := r.Context().Value(guestKey{}).(*guest)
	if g != nil {
		g.inWork++
	}
	c.inWork[client]++
	c.sum++
	return 0, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.clock++
		if g != nil {
			g.inWork--
			g.last = c.clock
		}
		c.sum--
		if c.inWork[client]--; c.inWork[client] == 0 {
			delete(c.inWork, client)
		}
	}
}

// origin is the address of a host:port; the zero Addr when there is none.
func origin(hostPort string) netip.Addr {
	a, err := netip.ParseAddrPort(hostPort)
	if err != nil {
		return netip.Addr{}
	}
	return network(a.Addr())
}

// network is what one client is known by: its address, or the 64 bits of IPv6 that one line gets.
func network(a netip.Addr) netip.Addr {
	a = a.Unmap().WithZone("")
	if a.Is6() && !a.IsLoopback() {
		p, _ := a.Prefix(64) // 64 bits are within 128
		return p.Addr()
	}
	return a
}
