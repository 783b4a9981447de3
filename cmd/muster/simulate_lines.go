package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"muster/internal/cli"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/sim"
)

// Bounds on those that connect to simulated lines.
const (
	maxReaders = 16          // at a time; one more is hung up on
	slowReader = time.Second // a reader that takes nothing for so long is hung up on
)

// lineSink offers the lines of a simulation, all on one as a multiplexer does.
type lineSink interface {
	sim.Sink
	io.Closer
	Address() string
	Lines() uint64
}

// isLine reports whether the destination is an NMEA 0183 line over a network, and which kind.
func isLine(to string) (network, address string, ok bool) {
	for _, kind := range []string{"tcp", "udp"} {
		if address, ok := strings.CutPrefix(to, "0183+"+kind+":"); ok {
			return kind, address, true
		}
	}
	return "", "", false
}

func (c *simulateCmd) toLine(a *app, scenario *sim.Scenario) error {
	if len(scenario.Lines) == 0 {
		return cli.WithHint(fmt.Errorf("simulate %s: the scenario has no NMEA 0183 line", c.Scenario),
			"take demo or faults, or give your scenario lines")
	}
	to, err := openLine(c.To)
	if err != nil {
		return err
	}
	defer to.Close()
	if len(scenario.Devices) > 0 {
		fmt.Fprintf(a.stderr, "the scenario's NMEA 2000 devices have no place on %s and are left out\n", c.To)
	}
	fmt.Fprintf(a.stderr, "lines on %s\n", to.Address())
	err = sim.Run(a.ctx, sim.NewPlayer(sim.New(scenario, c.Seed, event.At(time.Now())), c.speed(1)), to)
	fmt.Fprintf(a.stderr, "%s lines sent\n", render.Grouped(to.Lines()))
	if err != nil {
		return daemon.NewSourceError(c.To, err)
	}
	return nil
}

// openLine listens where readers are to connect, on this computer only when no host is named, or sends datagrams.
func openLine(spec string) (lineSink, error) {
	network, address, _ := isLine(spec)
	host, port, err := net.SplitHostPort(address)
	if err != nil || port == "" {
		return nil, fmt.Errorf("simulate to %q: the address is not host:port: "+
			"use for instance 0183+tcp:127.0.0.1:10110 or 0183+udp:192.168.1.255:10110", spec)
	}
	address = net.JoinHostPort(cmp.Or(host, "127.0.0.1"), port)
	if network == "udp" {
		c, err := net.Dial("udp", address)
		if err != nil {
			return nil, daemon.NewSourceError(spec, err)
		}
		return &datagramLine{c: c}, nil
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, daemon.NewSourceError(spec, err)
	}
	s := &servedLine{l: l, readers: map[net.Conn]struct{}{}}
	s.wg.Go(s.accept)
	return s, nil
}

// servedLine sends each line to all that are connected.
type servedLine struct {
	l     net.Listener
	wg    sync.WaitGroup
	lines uint64
	text  []byte

	mu      sync.Mutex // guards readers; held over no I/O
	readers map[net.Conn]struct{}
}

func (s *servedLine) accept() {
	for {
		c, err := s.l.Accept()
		if err != nil {
			return
		}
		s.mu.Lock()
		room := len(s.readers) < maxReaders
		if room {
			s.readers[c] = struct{}{}
		}
		s.mu.Unlock()
		if !room {
			c.Close()
		}
	}
}

// Write implements sim.Sink.
func (s *servedLine) Write(e *event.Event) error {
	if e.Kind != event.KindLine {
		return nil
	}
	s.lines++
	s.text = append(append(s.text[:0], e.Line...), "\r\n"...)
	s.mu.Lock()
	readers := slices.Collect(maps.Keys(s.readers))
	s.mu.Unlock()
	for _, c := range readers {
		_ = c.SetWriteDeadline(time.Now().Add(slowReader))
		if _, err := c.Write(s.text); err != nil {
			c.Close()
			s.mu.Lock()
			delete(s.readers, c)
			s.mu.Unlock()
		}
	}
	return nil
}

// Close hangs up on everybody.
func (s *servedLine) Close() error {
	err := s.l.Close()
	s.wg.Wait()
	for c := range s.readers {
		c.Close()
	}
	return err
}

func (s *servedLine) Address() string { return s.l.Addr().String() }
func (s *servedLine) Lines() uint64   { return s.lines }

// datagramLine sends each line as a datagram. Whether it is received is unknown.
type datagramLine struct {
	c     net.Conn
	lines uint64
	text  []byte
}

// Write implements sim.Sink.
func (d *datagramLine) Write(e *event.Event) error {
	if e.Kind == event.KindLine {
		d.lines++
		d.text = append(append(d.text[:0], e.Line...), "\r\n"...)
		_, _ = d.c.Write(d.text)
	}
	return nil
}

func (d *datagramLine) Close() error    { return d.c.Close() }
func (d *datagramLine) Address() string { return d.c.RemoteAddr().String() }
func (d *datagramLine) Lines() uint64   { return d.lines }
