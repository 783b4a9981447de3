package tap

import (
	"context"
	"fmt"
	"net"
	"sync"

	"muster/internal/event"
)

// maxClients is how many programs or gateways may be connected to a listening line at a time; one more is hung up on.
const maxClients = 8

// heard is a line of one client, or a query of ours to it.
type heard struct {
	n    int
	sent bool
	text [maxLine]byte
}

// listenLink takes the lines of those that connect. Each client has its own splitter, so that their lines never mix. A client that
// sends faster than lines are read waits.
type listenLink struct {
	l      net.Listener
	opts   Options
	lines  chan heard // of no capacity: what is not read stays with the client
	closed chan struct{}
	once   sync.Once
	wg     sync.WaitGroup
	failed error // of accepting; set before lines is closed

	mu      sync.Mutex // guards clients; held over no I/O
	clients map[net.Conn]struct{}

	held []heard // lines handed out, until the next read
}

// listenTCPLine opens 0183+tcp::port: it listens on every address of this computer, as 0183+udp::port does.
func listenTCPLine(port string, opts Options) (Source, error) {
	return oneLine(newLive(opts, func(ctx context.Context) (link, event.Network, error) {
		var lc net.ListenConfig
		l, err := lc.Listen(ctx, "tcp", ":"+port)
		if err != nil {
			return nil, event.Network{}, fmt.Errorf("open %q: %w: stop the other program that uses the port, or choose another", "0183+tcp::"+port, netCause(err))
		}
		return newListenLink(l, opts), event.Network{ID: "tcp:" + port, Kind: event.NMEA0183}, nil
	}))
}

func newListenLink(l net.Listener, opts Options) *listenLink {
	s := &listenLink{l: l, opts: opts, lines: make(chan heard), closed: make(chan struct{}), clients: map[net.Conn]struct{}{}}
	s.wg.Go(s.accept)
	return s
}

// accept lets clients in until the listener fails or is closed.
func (s *listenLink) accept() {
	var clients sync.WaitGroup
	for {
		c, err := s.l.Accept()
		if err != nil {
			s.hangUp()
			clients.Wait()
			s.failed = err
			close(s.lines)
			return
		}
		if !s.admit(c) {
			c.Close()
			continue
		}
		clients.Go(func() {
			s.serve(c)
			c.Close()
			s.mu.Lock()
			delete(s.clients, c)
			s.mu.Unlock()
		})
	}
}

func (s *listenLink) admit(c net.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.clients) >= maxClients {
		return false
	}
	s.clients[c] = struct{}{}
	return true
}

// hangUp ends every client's blocked read.
func (s *listenLink) hangUp() {
	s.once.Do(func() { close(s.closed) })
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.clients {
		c.Close()
	}
}

// serve hands on one client's lines until it leaves, and asks its talkers who they are where that is allowed. The end of the connection
// ends a line too.
func (s *listenLink) serve(c net.Conn) {
	in, q := splitter{r: c}, newQuestions(c, s.opts)
	var h heard
	put := func(line []byte, sent bool) bool {
		h.n, h.sent = copy(h.text[:], line), sent
		select {
		case s.lines <- h:
			return true
		case <-s.closed:
			return false
		}
	}
	for {
		if line, ok := in.nextLine(event.At(s.opts.Now())); ok {
			if !put(line, false) {
				return
			}
			if q == nil {
				continue
			}
			now := event.At(s.opts.Now())
			q.hear(line, now)
			query, err := q.ask(now)
			switch {
			case err != nil:
				q = nil // it takes nothing, but may still send
			case len(query) > 0 && !put(query, true):
				return
			}
			continue
		}
		if err := in.fill(); err != nil {
			if rest := in.buf[in.pos:in.end]; len(rest) > 0 {
				put(rest, false)
			}
			return
		}
	}
}

func (s *listenLink) read(events []event.Event) (int, error) {
	if len(s.held) < len(events) {
		s.held = make([]heard, len(events))
	}
	var ok bool
	if s.held[0], ok = <-s.lines; !ok {
		return 0, s.failed
	}
	n := 1
more:
	for n < len(events) {
		select {
		case s.held[n], ok = <-s.lines:
			if !ok { // the next read reports it
				break more
			}
			n++
		default:
			break more
		}
	}
	at := event.At(s.opts.Now())
	for i := range n {
		h := &s.held[i]
		events[i] = event.Event{Kind: event.KindLine, Time: at, Line: h.text[:h.n], Sent: h.sent}
	}
	return n, nil
}

func (s *listenLink) close() error {
	err := s.l.Close()
	s.hangUp()
	s.wg.Wait()
	return err
}
