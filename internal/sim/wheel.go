package sim

import (
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
)

// The kinds of planned item.
const (
	itemPowerOn = iota
	itemPowerOff
	itemSend
	itemEcho
	itemRestart
	itemSentence
	itemAction
	itemUndo
	itemErrorFrame
	itemFlood
	itemRepeat
)

// item is something planned.
type item struct {
	at     event.Time
	seq    uint64 // order among items of one time
	kind   int
	device int
	index  int
	power  uint32
	frame  can.Frame
	undo   func()
}

// wheel is a heap of items, earliest first.
type wheel struct {
	items []item
	seq   uint64
}

func (w *wheel) next() event.Time {
	if len(w.items) == 0 {
		return 0
	}
	return w.items[0].at
}

func (w *wheel) less(i, j int) bool {
	a, b := &w.items[i], &w.items[j]
	return a.at < b.at || a.at == b.at && a.seq < b.seq
}

func (w *wheel) add(at event.Time, it item) {
	w.seq++
	it.at, it.seq = at, w.seq
	w.items = append(w.items, it)
	for i := len(w.items) - 1; i > 0; {
		up := (i - 1) / 2
		if !w.less(i, up) {
			break
		}
		w.items[i], w.items[up] = w.items[up], w.items[i]
		i = up
	}
}

func (w *wheel) pop() item {
	top := w.items[0]
	last := len(w.items) - 1
	w.items[0] = w.items[last]
	w.items[last] = item{}
	w.items = w.items[:last]
	for i := 0; ; {
		c := 2*i + 1
		if c >= last {
			break
		}
		if c+1 < last && w.less(c+1, c) {
			c++
		}
		if !w.less(c, i) {
			break
		}
		w.items[i], w.items[c] = w.items[c], w.items[i]
		i = c
	}
	return top
}

// run carries out a planned item.
func (s *Sim) run(it item) {
	switch it.kind {
	case itemPowerOn:
		s.powerOn(it.device)
	case itemPowerOff:
		s.powerOff(it.device)
	case itemSend:
		d := s.devices[it.device]
		if d.power != it.power {
			return
		}
		m := &d.sends[it.index]
		s.encode(d, m)
		s.drain(d)
		// Real senders drift a little around their interval.
		s.wheel.add(it.at.Add(m.Every+s.random(m.Every/50+1)-m.Every/100),
			item{kind: itemSend, device: it.device, index: it.index, power: it.power})
	case itemEcho:
		s.sendEcho(it)
	case itemRestart:
		d := s.devices[it.device]
		if d.power != it.power || d.loop == 0 {
			return
		}
		s.powerOff(it.device)
		s.wheel.add(s.now.Add(1500*time.Millisecond), item{kind: itemPowerOn, device: it.device})
	case itemSentence:
		s.sentence(it)
	case itemAction:
		s.act(&s.sc.Timeline[it.index])
	case itemUndo:
		it.undo()
	case itemErrorFrame:
		s.errorFrame()
	case itemFlood:
		s.flood(it.device)
	case itemRepeat:
		s.startTimeline(s.now)
	}
}
