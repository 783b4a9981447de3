package node

import (
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// expire ends the waiting for answers that do not come.
func (a *Asker) expire(now event.Time) {
	for _, t := range a.targets {
		if t.out < 0 || now < t.question[t.out].at {
			continue
		}
		q := &t.question[t.out]
		switch {
		case topics[t.out].number == pgnList && q.got != 0: // one list is better than none: some devices have only one
			a.finish(t, t.out, askDone, "")
		case q.partial:
			a.retry(now, t, "the answer broke off")
		default:
			a.retry(now, t, "no answer")
		}
	}
}

// ask puts as many questions as the budget allows: every device the first topic, then every device the second.
func (a *Asker) ask(now event.Time) {
	addr, ok := a.node.Address()
	if !ok || a.bus.full(now) {
		return
	}
	a.budget.fill(now)
	if !a.asked {
		a.asked, a.claimsAt = true, now
		a.request(now, addr, pgn.Global, pgnClaim)
	}
	for i := range a.strange {
		q := &a.strange[i]
		if uint8(i) == addr {
			a.known[i] = false
		}
		if !a.known[i] || q.tries >= a.opts.Tries || now < q.at || a.budget.level < little {
			continue
		}
		a.request(now, addr, uint8(i), pgnClaim)
		q.tries++
		q.at = now.Add(backOff[min(q.tries, len(backOff))-1])
	}
	for {
		t, i := a.pick(now)
		if t == nil || a.budget.level < enough {
			return
		}
		q := &t.question[i]
		q.state, q.at, q.partial, q.next, q.got = askOut, now.Add(a.opts.Timeout), false, 0, 0
		q.reserved = topics[i].reserve
		q.tries++
		if q.tries > 1 {
			a.stats.Retries++
		}
		t.out = i
		a.budget.level -= q.reserved
		a.request(now, addr, t.addr, topics[i].number)
	}
}

// pick is the next question that may be put now.
func (a *Asker) pick(now event.Time) (*target, int) {
	var best *target
	topic := len(topics)
	for _, t := range a.targets {
		if !t.present || t.out >= 0 {
			continue
		}
		for i := 0; i < topic; i++ {
			if q := &t.question[i]; q.state == askWaiting && q.at <= now {
				best, topic = t, i
				break
			}
		}
	}
	return best, topic
}

func (a *Asker) request(now event.Time, src, dst uint8, number uint32) {
	a.node.emit(6, pgnRequest, src, dst, []byte{byte(number), byte(number >> 8), byte(number >> 16)})
	a.stats.Requests++
	a.spend(now, &a.node.out.Frames[len(a.node.out.Frames)-1])
}

// plan works out when there is something to do next.
func (a *Asker) plan(now event.Time) {
	a.next = 0
	if a.node.State() != Claimed {
		return
	}
	if a.bus.full(now) {
		a.next = now.Add(time.Second)
		return
	}
	if !a.asked {
		a.next = now
		return
	}
	for i := range a.strange {
		if q := &a.strange[i]; a.known[i] && q.tries < a.opts.Tries {
			a.next = earliest(a.next, max(q.at, a.budget.ready(little)))
		}
	}
	for _, t := range a.targets {
		if !t.present {
			continue
		}
		if t.out >= 0 {
			a.next = earliest(a.next, t.question[t.out].at)
			continue
		}
		for i := range t.question {
			if q := &t.question[i]; q.state == askWaiting {
				a.next = earliest(a.next, max(q.at, a.budget.ready(enough)))
			}
		}
	}
}
