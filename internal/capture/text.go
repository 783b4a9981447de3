package capture

import (
	"bytes"
	"io"

	"muster/internal/event"
)

const (
	maxLine      = 1024 // bytes; far above any line of these formats
	maxInterface = 31   // bytes of an interface's name; Linux allows 15
)

// text reads all line formats. Fast lines (fast.go) are parsed in place; every other line is cut out and parsed by parseLine.
type text struct {
	ledger
	w        *window
	sentence bool // lines without a prefix belong to an NMEA 0183 network, whatever their content
	stamped  bool // the start of the file has time stamps
	skipping bool // inside a line that is too long
	noFast   bool // for tests: everything through parseLine
	hot      hot
}

func newText(w *window, format Format) *text {
	t := &text{w: w, sentence: format == FormatNMEA0183, stamped: headStamped(w.rest()), hot: hot{pairs: hexPairs()}}
	t.fallback = event.Network{ID: "can0", Kind: event.NMEA2000, Unstamped: !t.stamped}
	if t.sentence {
		t.fallback = event.Network{ID: "line0", Kind: event.NMEA0183, Unstamped: !t.stamped}
	}
	return t
}

func (t *text) decode(events []event.Event) (int, error) {
	n := 0
	for n < len(events) {
		if t.waiting && len(t.nets) > 0 {
			t.settle(&events[n])
			n++
			continue
		}
		if !t.noFast && !t.skipping {
			if m := t.fast(events[n:]); m > 0 {
				n += m
				continue
			}
		}
		rest := t.w.rest()
		i := bytes.IndexByte(rest, '\n')
		if i < 0 {
			if n > 0 && t.w.err == nil {
				return n, nil // lines handed out lie in the window: it may not move now
			}
			if t.w.full() {
				if !t.skipping {
					n = t.damage(events, n, ReasonLongLine)
				}
				t.skipping = true
				t.w.pos = t.w.end
				continue
			}
			if t.w.fill() {
				continue
			}
			return t.finish(events, n)
		}
		if t.skipping {
			t.skipping = false
			t.w.pos += i + 1
			continue
		}
		var used bool
		if n, used = t.line(events, n, rest[:i], false); used {
			t.w.pos += i + 1
		}
	}
	return n, nil
}

// finish handles what follows the last line end.
func (t *text) finish(events []event.Event, n int) (int, error) {
	if rest := t.w.rest(); len(rest) > 0 && !t.skipping {
		var used bool
		if n, used = t.line(events, n, rest, true); used {
			t.w.pos = t.w.end
		}
		return n, nil
	}
	t.w.pos = t.w.end
	if t.w.packing() {
		t.w.err = io.EOF
		return t.damage(events, n, ReasonPacking), nil
	}
	if n == 0 {
		n = t.drain(events)
	}
	if n > 0 {
		return n, nil
	}
	return 0, t.w.err
}

// line turns one line into at most one event. When the line's network is new only its announcement is made and used is false.
func (t *text) line(events []event.Event, n int, line []byte, last bool) (int, bool) {
	if len(line) > maxLine {
		return t.damage(events, n, ReasonLongLine), true
	}
	var p parsed
	reason := parseLine(line, t.sentence, &p)
	switch {
	case reason == reasonSkip:
		return n, true
	case reason != reasonNone:
		return t.damage(events, n, reason), true
	case last && p.kind == event.KindFrame && p.frame.Length < 8:
		return t.damage(events, n, ReasonTorn), true // whatever was cut off may have been data
	}
	net, ok, clash := t.find(p.name, p.network())
	if len(p.name) == 0 {
		net, ok, clash = t.find([]byte(t.defaultName(&p)), p.network())
	}
	if clash {
		return t.damage(events, n, ReasonInterface), true
	}
	if !ok {
		if len(t.nets) == maxNetworks {
			return t.damage(events, n, ReasonTooManyInterfaces), true
		}
		events[n] = t.announce(t.describe(&p), p.time)
		return n + 1, false
	}
	t.lastNet = net
	if p.time == 0 && t.stamped {
		p.time = t.last
	}
	t.last = p.time
	e := &events[n]
	*e = event.Event{Time: p.time, Kind: p.kind, Network: net, Frame: p.frame, Count: p.count, Sent: p.sent}
	if p.kind == event.KindLine {
		e.Line = p.line
	}
	return n + 1, true
}

func (t *text) defaultName(p *parsed) string {
	if p.network() == event.NMEA0183 {
		return "line0"
	}
	return "can0"
}

func (t *text) describe(p *parsed) event.Network {
	info := event.Network{ID: string(p.name), Kind: p.network(), Unstamped: !t.stamped}
	if len(p.name) == 0 {
		info.ID = t.defaultName(p)
	}
	return info
}

// headStamped reports whether any of the first lines carries a time of day.
func headStamped(head []byte) bool {
	for line := range bytes.Lines(head) {
		var p parsed
		if parseLine(line, true, &p) == reasonNone && p.time != 0 {
			return true
		}
	}
	return false
}
