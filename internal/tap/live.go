package tap

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"go.bug.st/serial"
	"go.einride.tech/can"

	"muster/internal/event"
)

// link is an open connection to one live network. When it fails it is closed and dialled again.
type link interface {
	// read blocks until it has at least one event, or fails for good. The events' Network is 0.
	read(events []event.Event) (int, error)
	// close ends a blocked read, from any goroutine.
	close() error
}

// dialFunc opens a link and describes its network. Its context ends when the source is closed.
type dialFunc func(ctx context.Context) (link, event.Network, error)

// live makes a Source of links to one network: it announces the network, reports when it goes away and returns, and
// keeps trying.
type live struct {
	opts   Options
	dial   dialFunc
	ctx    context.Context // ends with Close
	cancel context.CancelFunc
	info   event.Network // as last announced; used by the reader only

	missing   error // why it was not there when it was opened, until that is reported
	announced bool
	up        bool // a link just came back: report it

	mu   sync.Mutex // guards the fields below; held over no I/O
	link link
	gone bool
}

// newLive dials once, so that a source which is not there is reported at once; with opts.Later, Read reports it, if
// dial gives the name of the network all the same.
func newLive(opts Options, dial dialFunc) (*live, error) {
	ctx, cancel := context.WithCancel(context.Background())
	l, info, err := dial(ctx)
	if err != nil && (!opts.Later || info.ID == "") {
		cancel()
		return nil, err
	}
	return &live{opts: opts, dial: dial, info: info, link: l, missing: err, ctx: ctx, cancel: cancel}, nil
}

func (s *live) now() event.Time { return event.At(s.opts.Now()) }

func (s *live) Read(events []event.Event) (int, error) {
	if len(events) == 0 {
		return 0, nil
	}
	l, gone := s.current()
	switch {
	case gone:
		return 0, io.EOF
	case l == nil && s.missing != nil:
		if s.announced {
			events[0] = s.down(s.missing)
			s.missing = nil
			return 1, nil
		}
	case l == nil:
		if !s.redial() {
			return 0, io.EOF
		}
		s.up = true
	}
	if !s.announced {
		s.announced = true
		info := s.info
		events[0] = event.Event{Kind: event.KindNetwork, Time: s.now(), Info: &info}
		return 1, nil
	}
	if s.up {
		s.up = false
		events[0] = event.Event{Kind: event.KindUp, Time: s.now()}
		return 1, nil
	}
	n, err := l.read(events)
	if n > 0 {
		return n, nil
	}
	if s.drop(l) {
		return 0, io.EOF
	}
	events[0] = s.down(err)
	return 1, nil
}

func (s *live) down(err error) event.Event {
	return event.Event{Kind: event.KindDown, Time: s.now(), Line: []byte(reason(err))}
}

func (s *live) current() (link, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.link, s.gone
}

// drop closes a link that failed. It reports whether the source itself was closed.
func (s *live) drop(l link) bool {
	l.close()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.link = nil
	return s.gone
}

// redial tries until a link is up; false when the source was closed meanwhile.
func (s *live) redial() bool {
	pause := time.NewTimer(s.opts.Retry)
	defer pause.Stop()
	for {
		select {
		case <-s.ctx.Done():
			return false
		case <-pause.C:
		}
		l, info, err := s.dial(s.ctx)
		if err != nil {
			pause.Reset(s.opts.Retry)
			continue
		}
		s.mu.Lock()
		gone := s.gone
		if !gone {
			s.link = l
		}
		s.mu.Unlock()
		if gone {
			l.close()
			return false
		}
		if info != s.info {
			s.info, s.announced = info, false
		}
		return true
	}
}

func (s *live) Close() error {
	s.mu.Lock()
	l, gone := s.link, s.gone
	s.gone = true
	s.cancel()
	s.mu.Unlock()
	if gone || l == nil {
		return nil
	}
	return l.close()
}

// transmitter is a live source that can send.
type transmitter struct{ *live }

// errDown is what Send returns while the network is away.
var errDown = errors.New("the network is down at the moment")

// Send puts one frame on the network.
func (s transmitter) Send(frame can.Frame) error {
	if !s.opts.Transmit {
		return fmt.Errorf("send on %s: %w", s.info.ID, ErrNoTransmit)
	}
	if err := frame.Validate(); err != nil {
		return fmt.Errorf("send: %w", err)
	}
	l, gone := s.current()
	if gone || l == nil {
		return fmt.Errorf("send: %w", errDown)
	}
	if err := l.(interface{ send(can.Frame) error }).send(frame); err != nil {
		return fmt.Errorf("send: %w", err)
	}
	return nil
}

// reason puts an error into few words for a KindDown event.
func reason(err error) string {
	if err == nil || errors.Is(err, io.EOF) {
		return "the other end closed"
	}
	var pe *serial.PortError
	if errors.As(err, &pe) && pe.Code() == serial.PortClosed {
		return "the serial port is not there: its adapter was disconnected"
	}
	return plain(err).Error()
}

// Damage that live sources find, besides what the capture package names.
var (
	damageLongLine = []byte("line too long")
	damageDatagram = []byte("datagram is not made of 16-byte frames")
	damageFrame    = []byte("impossible frame")
	damageAdapter  = []byte("not a line of a serial adapter")
)
