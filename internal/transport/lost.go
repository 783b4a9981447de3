package transport

import (
	"math"

	"muster/internal/event"
)

const (
	lostSlots = 1024 // counters followed at a time; the one that was unused longest is given up
	steadyRun = 16   // steps of one in a row that show that a counter runs per PGN; common practice, no source
	firstRun  = 4    // steps that show the sender's rate; common practice, no source
	longRun   = 64   // steps after which half of the run is forgotten
)

// counter is the sequence counter of one PGN of one address. When it was last received lies in its link.
type counter struct {
	since    event.Time // when its run of regular steps began
	steps    uint8      // how far it went in the run
	sequence uint8      // latest value, 0 to 7
	sent     uint8      // messages that the address had sent by then
	epoch    uint8      // of the address at that time
}

// sender is what the counters of one address have in common.
type sender struct {
	lost  uint64
	sent  uint8 // fast packet messages of any PGN, modulo 256
	epoch uint8 // changes when the address may have begun to count again
	apart uint8 // steps that one counter over all PGNs cannot have made, up to steadyRun
}

// lostTable finds from the 3-bit sequence counters of fast packets how many whole messages never came. Nothing else
// on the backbone shows them. A message is counted only where counter and time agree on it:
//   - the counter went up by one in each of steadyRun messages of this PGN that came at a regular rate, so it is
//     neither constant nor random;
//   - the gap took as long as the messages that the counter skipped take at the sender's usual rate;
//   - one counter over all PGNs of the address does not explain the gap by what else the address sent.
//
// So it never sees 8 messages lost in a row (the counter is where it was), messages that come at no regular rate, and
// a gap that ends at 0, where a sender that restarted begins.
type lostTable struct {
	table
	counters []counter
	senders  [256]sender
}

func (t *lostTable) init() {
	t.table.init(lostSlots)
	t.counters = make([]counter, lostSlots)
}

// takes reports whether the time from last to now is that of n messages, rather than of fewer or more, at the rate of the run.
func (c *counter) takes(last, now event.Time, n uint8) bool {
	return c.steps < firstRun || math.Round(float64(now-last)*float64(c.steps)/float64(last-c.since)) == float64(n)
}

// restarted forgets what the address counted.
func (t *lostTable) restarted(source uint8) {
	s := &t.senders[source]
	s.epoch++
	s.apart = 0
}

// hear takes the sequence number of the next message of a PGN and an address, and returns how many of them never came
// before it.
func (t *lostTable) hear(number uint32, source, sequence uint8, now event.Time) (lost uint8) {
	s := &t.senders[source]
	s.sent++
	key := uint64(number)<<8 | uint64(source)
	i := t.find(key)
	if i == none {
		if t.full() {
			t.drop(t.oldest)
		}
		i = t.add(key, now)
		t.counters[i] = counter{since: now, sequence: sequence, sent: s.sent, epoch: s.epoch}
		return 0
	}
	c, last := &t.counters[i], t.links[i].last
	t.touch(i, now)
	step := (sequence - c.sequence) & 7
	overAll := (s.sent - c.sent) & 7 // the step of one counter over all PGNs
	known := c.epoch == s.epoch && last != 0 && now > last
	switch {
	case known && step == 1 && c.takes(last, now, 1):
		c.steps++
		if overAll != 1 {
			s.apart = min(s.apart+1, steadyRun)
		}
	case known && step > 1 && c.steps >= steadyRun && c.takes(last, now, step) &&
		(s.apart == steadyRun || step != overAll):
		c.steps += step
		if sequence != 0 {
			lost = step - 1
		}
	default:
		if step == overAll {
			s.apart = 0
		}
		c.since, c.steps = now, 0
	}
	if c.steps >= longRun {
		c.since += (now - c.since) / 2
		c.steps /= 2
	}
	s.lost += uint64(lost)
	c.sequence, c.sent, c.epoch = sequence, s.sent, s.epoch
	return lost
}
