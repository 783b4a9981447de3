package tap

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"slices"

	"go.bug.st/serial"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

// rates are the rates tried on a port whose rate was not given, most usual first: the standard's two, then those of manufacturers.
var rates = [...]int{4800, 38400, 9600, 19200, 57600, 115200}

// Amounts of bytes in the search for the rate.
const (
	probeBytes = 400  // at which a rate is assessed
	probeMost  = 2048 // at which a rate without a verdict is given up
)

// prober finds the rate of a serial line from what it reads there, again when the talker takes to another one, and hands the bytes on
// meanwhile.
type prober struct {
	port    serial.Port
	at      int // in rates
	buf     []byte
	settled bool
	changed bool // the rate was changed since last asked
}

func (p *prober) Close() error { return p.port.Close() }

// Write sends only when the rate is known: at a wrong one it would be noise.
func (p *prober) Write(b []byte) (int, error) {
	if !p.settled {
		return len(b), nil
	}
	return p.port.Write(b)
}

func (p *prober) rate() int { return rates[p.at] }

func (p *prober) Read(b []byte) (int, error) {
	n, err := p.port.Read(b)
	if n == 0 {
		return n, err
	}
	p.buf = append(p.buf, b[:n]...)
	if p.settled {
		if len(p.buf) < probeMost {
			return n, err
		}
		// The talker may have been set to another rate since.
		_, v := assess(p.buf, p.at)
		p.settled = v.Condition != nmea0183.ConditionWrongBaud
		if p.settled {
			p.buf = p.buf[:0]
			return n, err
		}
	}
	next, settled := judge(p.buf, p.at)
	switch {
	case settled:
		p.settled, p.buf = true, p.buf[:0]
	case next != p.at:
		p.at, p.buf, p.changed = next, p.buf[:0], true
		if err := p.port.SetMode(&serial.Mode{BaudRate: p.rate()}); err != nil {
			return n, fmt.Errorf("set %d baud: %w", p.rate(), err)
		}
		_ = p.port.ResetInputBuffer() // what came in at the old rate; a port without this gives a little more noise
	}
	return n, err
}

// assess counts the sentences with a good checksum in the bytes read at a rate, and gives a verdict on the bytes.
func assess(b []byte, at int) (sure int, v nmea0183.Verdict) {
	var q nmea0183.Quality
	var s nmea0183.Sentence
	lines := bytes.FieldsFunc(b, func(r rune) bool { return r == '\r' || r == '\n' })
	for i, line := range lines {
		if i == 0 && len(lines) > 1 && len(line) <= nmea0183.StandardLength {
			continue // it may have begun before
		}
		good := 0
		for rest := line; rest != nil; {
			var err error
			if rest, err = nmea0183.Parse(rest, &s); err == nil && s.Checksum == nmea0183.ChecksumGood {
				good++
			}
		}
		sure += good
		q.Add(line, good)
	}
	return sure, q.Verdict(uint32(rates[at]))
}

// judge reports whether the bytes read at a rate settle it, else which rate to read at next.
func judge(b []byte, at int) (next int, settled bool) {
	sure, v := assess(b, at)
	if sure >= 2 {
		return at, true
	}
	if len(b) < probeBytes {
		return at, false
	}
	switch v.Condition {
	case nmea0183.ConditionGood, nmea0183.ConditionNoisy, nmea0183.ConditionSwapped:
		return at, true
	case nmea0183.ConditionUnknown:
		if len(b) < probeMost {
			return at, false
		}
	}
	if i := slices.Index(rates[:], int(v.Baud)); i > at { // behind us: tried already, comes again
		return i, false
	}
	return (at + 1) % len(rates), false
}

// probeLink is a line whose rate is being found; it reports every change.
type probeLink struct {
	*lineLink
	prober *prober
	info   event.Network
}

func (l *probeLink) read(events []event.Event) (int, error) {
	if l.prober.changed {
		l.prober.changed = false
		l.info.BitRate = uint32(l.prober.rate())
		info := l.info
		events[0] = event.Event{Kind: event.KindNetwork, Time: event.At(l.opts.Now()), Info: &info}
		return 1, nil
	}
	return l.lineLink.read(events)
}

// openProbedLine opens a serial port and finds its rate. A port that went away and came back begins with the rate found before.
func openProbedLine(spec, path string, opts Options, open func(path string, baud int) (serial.Port, error)) (Source, error) {
	var last *prober
	return oneLine(newLive(opts, func(context.Context) (link, event.Network, error) {
		p := &prober{}
		if last != nil {
			p.at = last.at
		}
		info := event.Network{ID: filepath.Base(path), Kind: event.NMEA0183, BitRate: uint32(p.rate())}
		port, err := open(path, p.rate())
		if err != nil {
			return nil, info, fmt.Errorf("open %q: %w", spec, err)
		}
		p.port, last = port, p
		return &probeLink{lineLink: newLineLink(p, opts), prober: p, info: info}, info, nil
	}))
}
