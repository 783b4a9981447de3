package daemon

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/node"
	"muster/internal/tap"
	"muster/pgn"
)

// askEvery is how often our own presence checks the clock.
const askEvery = 20 * time.Millisecond

// sendQueue is how many frames of ours may wait for the bus; more are dropped and counted, and asked for again later.
const sendQueue = 256

// asking is our own presence on the first network of one source. Its asker belongs to the model's goroutine.
type asking struct {
	asker   *node.Asker
	out     node.Outbox
	sender  tap.Sender
	queue   chan can.Frame
	started bool
	off     bool // nothing may be asked
	dropped atomic.Uint64
	refused atomic.Uint64 // frames that the source did not take
}

// newAsking is nil for a source that asks by itself.
func newAsking(in *input, version string) (*asking, error) {
	if line, ok := in.src.(tap.Asker); ok && line.Asks() {
		return nil, nil
	}
	sender, ok := in.src.(tap.Sender)
	if !ok {
		return nil, fmt.Errorf("ask on %s: nothing can be sent there: only listen, or ask on CAN, a serial adapter, "+
			"udp:GROUP:PORT, or an NMEA 0183 serial port or TCP address", in.name)
	}
	a := &asking{sender: sender, queue: make(chan can.Frame, sendQueue)}
	unique := ownUnique(in.name)
	own := node.OwnOptions(unique, version, fmt.Sprintf("%06X", unique))
	a.asker = node.NewAsker(node.New(own, &a.out), node.AskOptions{})
	return a, nil
}

// ownUnique numbers this presence: the same each time on one machine and network, different elsewhere.
func ownUnique(network string) uint32 {
	h := fnv.New32a()
	id, err := os.ReadFile("/etc/machine-id")
	if err != nil {
		name, _ := os.Hostname()
		id = []byte(name)
	}
	_, _ = h.Write(id)
	_, _ = h.Write([]byte(network))
	return h.Sum32() & (1<<21 - 1)
}

// ownNames are our NAMEs, which the device list marks as our own.
func (s *sources) ownNames() []pgn.NAME {
	var names []pgn.NAME
	for _, in := range s.inputs() {
		if in.ask != nil {
			names = append(names, in.ask.asker.Node().Name())
		}
	}
	return names
}

func (s *sources) asks() bool { return len(s.ownNames()) > 0 }

var errListenOnly = errors.New("the interface is in listen-only mode, so nothing can be asked: " +
	"leave out --ask, or set ListenOnly=no for it")

// hear gives our presence an event of the bus at a time that no set clock has moved. Its error ends the daemon.
func (a *asking) hear(local int, e *event.Event, at event.Time) error {
	if local != 0 || a.off {
		return nil
	}
	switch {
	case e.Kind == event.KindNetwork && e.Info != nil && e.Info.Listen:
		return errListenOnly
	case e.Kind == event.KindFrame && !e.Sent && a.started:
		a.asker.Feed(at, &e.Frame)
		a.flush()
	}
	return nil
}

// tick lets time that no set clock has moved pass for our presence, which begins with the first tick.
func (a *asking) tick(now event.Time) {
	if !a.started {
		a.started = true
		a.asker.Start(now)
	}
	a.asker.Tick(now)
	a.flush()
}

// tickAskers lets time that no set clock has moved pass for our presences.
func (s *sources) tickAskers(now event.Time) {
	for _, in := range s.inputs() {
		if in.ask != nil && !in.ask.off && len(in.numbers) > 0 && !in.ended.Load() {
			in.ask.tick(now)
		}
	}
}

// unanswered reports which devices did not identify themselves, and why.
func (s *sources) unanswered(report func(network uint16, name pgn.NAME, why string)) {
	for _, in := range s.inputs() {
		if in.ask == nil || len(in.numbers) == 0 {
			continue
		}
		for _, u := range in.ask.asker.Unanswered() {
			if u.PGN == productInformation {
				report(in.numbers[0], u.Name, u.Reason)
			}
		}
	}
}

// homeless lists the sources on which we were to ask and could claim no address.
func (s *sources) homeless() (names []string) {
	for _, in := range s.inputs() {
		if in.ask != nil && in.ask.asker.Node().State() == node.Unclaimed {
			names = append(names, in.spec)
		}
	}
	return names
}

// noAddress is the error of a daemon that was to ask and could not.
func (s *sources) noAddress() error {
	names := s.homeless()
	if len(names) == 0 {
		return nil
	}
	return &SourceError{Source: names[0], Err: fmt.Errorf("ask on %s: no address could be claimed, so nothing was asked: "+
		"free an address on the backbone, or listen without asking", strings.Join(names, ", "))}
}

const productInformation = 126996

// flush hands our frames to the sending goroutine.
func (a *asking) flush() {
	for _, f := range a.out.Frames {
		select {
		case a.queue <- f:
		default:
			a.dropped.Add(1)
		}
	}
	a.out.Reset()
}

// send puts our frames on the bus until ctx ends. A bus that takes none is reported once per change.
func (s *sources) send(ctx context.Context, in *input) {
	failing := false
	for {
		select {
		case f := <-in.ask.queue:
			err := in.ask.sender.Send(f)
			if err != nil {
				in.ask.refused.Add(1)
			}
			if failing != (err != nil) && ctx.Err() == nil {
				failing = err != nil
				if failing {
					s.log.Warn().Err(err).Str("source", in.name).Msg("cannot send")
				} else {
					s.log.Info().Str("source", in.name).Msg("can send again")
				}
			}
		case <-ctx.Done():
			return
		}
	}
}
