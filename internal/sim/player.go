package sim

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
)

// Player plays a Sim against the wall clock. It has the methods of a tap.Source (Read, Close), and frames can be sent
// into it. Send, Inject, Act and Close may be called from any goroutine; one goroutine reads.
type Player struct {
	mu    sync.Mutex // guards sim
	sim   *Sim
	speed float64
	start event.Time
	wall  time.Time
	wake  chan struct{} // capacity 1: a full channel already wakes
	done  chan struct{}
	once  sync.Once
}

// NewPlayer starts to play now. Speed 1 is real time, 20 is twenty times as fast, 0 is as fast as it is read.
func NewPlayer(s *Sim, speed float64) *Player {
	return &Player{sim: s, speed: speed, start: s.Now(), wall: time.Now(), wake: make(chan struct{}, 1), done: make(chan struct{})}
}

// limit is how far the simulation may have come by now.
func (p *Player) limit() event.Time {
	return p.start.Add(time.Duration(float64(time.Since(p.wall)) * p.speed))
}

// Read implements tap.Source. After Close it returns os.ErrClosed.
func (p *Player) Read(events []event.Event) (int, error) {
	for {
		select {
		case <-p.done:
			return 0, fmt.Errorf("sim: read: %w", os.ErrClosed)
		default:
		}
		p.mu.Lock()
		if p.speed <= 0 {
			n, err := p.sim.Read(events)
			p.mu.Unlock()
			return n, err
		}
		limit := p.limit()
		n, err := p.sim.ReadUntil(limit, events)
		next := p.sim.Next()
		p.mu.Unlock()
		if n > 0 || err != nil || len(events) == 0 {
			return n, err
		}
		wait := time.Second
		if next != 0 {
			wait = min(wait, max(time.Duration(float64(next.Sub(limit))/p.speed), time.Millisecond))
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-p.wake:
		case <-p.done:
		}
		timer.Stop()
	}
}

// Send puts a frame of the reader's own on the simulated bus; it comes back from Read marked as sent.
func (p *Player) Send(f can.Frame) error {
	select {
	case <-p.done:
		return fmt.Errorf("sim: send: %w", os.ErrClosed)
	default:
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.catchUp()
	err := p.sim.Send(f)
	p.poke()
	return err
}

// Inject gives the devices a frame that another put on the real bus that the simulation is played to.
func (p *Player) Inject(f can.Frame) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.catchUp()
	p.sim.Inject(&event.Event{Kind: event.KindFrame, Time: p.sim.Now(), Frame: f})
	p.poke()
}

// Act lets something happen now, besides what the timeline has: an update that a person begins. It does nothing to a device that there is not.
func (p *Player) Act(a Action) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.catchUp()
	p.sim.act(&a)
	p.poke()
}

// catchUp brings the simulation to the present.
func (p *Player) catchUp() {
	if p.speed > 0 {
		limit := p.limit()
		for len(p.sim.out) < 1<<16 && p.sim.step(limit) { // the bound matters only when the queue is not read
		}
	}
}

func (p *Player) poke() {
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// Close ends a blocked Read.
func (p *Player) Close() error {
	p.once.Do(func() { close(p.done) })
	return nil
}

// Sink takes the events of a simulation in order. The event is valid until Write returns.
type Sink interface {
	Write(ev *event.Event) error
}

// Run plays into a sink until the scenario ends, the context is cancelled (which is no error), or the sink fails. It closes the player.
func Run(ctx context.Context, p *Player, dst Sink) error {
	defer p.Close()
	stop := context.AfterFunc(ctx, func() { p.Close() })
	defer stop()
	var events [128]event.Event
	for {
		n, err := p.Read(events[:])
		for i := range events[:n] {
			if err := dst.Write(&events[i]); err != nil {
				return fmt.Errorf("sim: %w", err)
			}
		}
		switch {
		case errors.Is(err, io.EOF), err != nil && ctx.Err() != nil:
			return nil
		case err != nil:
			return err
		}
	}
}
