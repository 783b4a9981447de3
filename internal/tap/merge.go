package tap

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"

	"muster/internal/event"
)

// Merge makes one source of several. Networks are numbered anew and their IDs made unique. When all sources are Recorded, events
// come in the order of their time stamps and the result is Recorded; otherwise they come as they arrive. When a source ends or
// fails, each of its networks gets a KindEnd event, with the reason if it failed, and the others go on; the failures are returned
// at the very end. Closing the result closes the sources.
func Merge(sources ...Source) Source {
	if len(sources) == 1 {
		return sources[0]
	}
	all := make([]Recorded, 0, len(sources))
	for _, s := range sources {
		if r, ok := s.(Recorded); ok {
			all = append(all, r)
		}
	}
	if len(all) == len(sources) {
		m := &byTime{sources: all, parts: make([]part, len(all))}
		for i := range m.parts {
			m.parts[i].events = make([]event.Event, mergeBatch)
		}
		return m
	}
	return startArrivals(sources)
}

const mergeBatch = 128

// names numbers the networks of all sources and keeps their IDs unique.
type names struct {
	ids   []string
	first []string // as the source calls it
	local []map[uint16]uint16
}

// number gives the common number of a source's network, making one up when it is new.
func (t *names) number(source int, net uint16) uint16 {
	for len(t.local) <= source {
		t.local = append(t.local, map[uint16]uint16{})
	}
	n, ok := t.local[source][net]
	if !ok {
		n = uint16(len(t.ids))
		t.ids, t.first = append(t.ids, ""), append(t.first, "")
		t.local[source][net] = n
	}
	return n
}

// rename puts an event into the common numbering.
func (t *names) rename(source int, e *event.Event) {
	e.Network = t.number(source, e.Network)
	if e.Kind != event.KindNetwork || e.Info == nil {
		return
	}
	info := *e.Info
	if t.first[e.Network] != info.ID {
		t.first[e.Network], t.ids[e.Network] = info.ID, t.unique(info.ID)
	}
	info.ID = t.ids[e.Network]
	e.Info = &info
}

func (t *names) unique(id string) string {
	name := id
	for i := 2; slices.Contains(t.ids, name); i++ {
		name = fmt.Sprintf("%s-%d", id, i)
	}
	return name
}

// ends makes the KindEnd events of a source.
func (t *names) ends(source int, at event.Time, err error) []event.Event {
	if source >= len(t.local) {
		return nil
	}
	var out []event.Event
	for _, n := range t.local[source] {
		e := event.Event{Kind: event.KindEnd, Time: at, Network: n}
		if err != nil {
			e.Line = []byte(err.Error())
		}
		out = append(out, e)
	}
	slices.SortFunc(out, func(a, b event.Event) int { return int(a.Network) - int(b.Network) })
	return out
}

// part is what is at hand of one source.
type part struct {
	events   []event.Event
	pos, end int
	last     event.Time // stands in for an event that has no time
	ended    bool
}

// key is the time that decides whose turn it is.
func (p *part) key() event.Time {
	if t := p.events[p.pos].Time; t != 0 {
		return t
	}
	return p.last
}

// byTime merges recorded sources by time stamp, the earlier source first when stamps are equal.
type byTime struct {
	sources []Recorded
	parts   []part
	names   names
	queue   []event.Event // ends to hand out
	now     event.Time
	errs    []error
}

func (m *byTime) Read(events []event.Event) (int, error) {
	if len(events) == 0 {
		return 0, nil
	}
	n := 0
	for n < len(events) {
		if k := copy(events[n:], m.queue); k > 0 {
			m.queue = append(m.queue[:0], m.queue[k:]...)
			n += k
			continue
		}
		best := -1
		for i := range m.parts {
			p := &m.parts[i]
			if p.pos == p.end && !p.ended {
				if n > 0 {
					return n, nil // reading on would overwrite lines that were handed out
				}
				m.fill(i)
				if len(m.queue) > 0 {
					break
				}
			}
			if p.pos < p.end && (best < 0 || p.key() < m.parts[best].key()) {
				best = i
			}
		}
		switch {
		case len(m.queue) > 0:
		case best >= 0:
			p := &m.parts[best]
			p.last = p.key()
			m.now = max(m.now, p.last)
			events[n] = p.events[p.pos]
			m.names.rename(best, &events[n])
			p.pos++
			n++
		case n > 0:
			return n, nil
		default:
			return 0, outcome(m.errs)
		}
	}
	return n, nil
}

func (m *byTime) fill(i int) {
	p := &m.parts[i]
	n, err := m.sources[i].Read(p.events)
	p.pos, p.end = 0, n
	if n > 0 || err == nil {
		return
	}
	p.ended = true
	if err == io.EOF {
		err = nil
	} else {
		m.errs = append(m.errs, err)
	}
	m.queue = append(m.queue, m.names.ends(i, m.now, err)...)
}

func outcome(errs []error) error {
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	return io.EOF
}

func (m *byTime) Progress() (read, total int64) {
	known := true
	for _, s := range m.sources {
		r, t := s.Progress()
		read, total, known = read+r, total+t, known && t > 0
	}
	if !known {
		total = 0
	}
	return read, total
}

func (m *byTime) Close() error {
	var errs []error
	for _, s := range m.sources {
		errs = append(errs, s.Close())
	}
	return errors.Join(errs...)
}

// arrivals merges sources as their events come. Each source has one goroutine and one buffer; it reads on when its batch has been
// used up, so nothing piles up here: what a slow reader loses is lost, and counted, at the source.
type arrivals struct {
	sources []Source
	batches chan arrival
	used    []chan struct{}
	names   names
	now     event.Time
	cur     arrival
	pos     int
	busy    bool // cur is being handed out
	queue   []event.Event
	open    int
	errs    []error
	done    chan struct{}
	once    sync.Once
	wg      sync.WaitGroup
	err     error
}

type arrival struct {
	source int
	events []event.Event
	err    error
}

func startArrivals(sources []Source) *arrivals {
	m := &arrivals{sources: sources, batches: make(chan arrival), done: make(chan struct{}), open: len(sources)}
	for i, s := range sources {
		used := make(chan struct{}, 1)
		m.used = append(m.used, used)
		m.wg.Go(func() { m.pump(i, s, used) })
	}
	return m
}

func (m *arrivals) pump(i int, s Source, used <-chan struct{}) {
	buf := make([]event.Event, mergeBatch)
	for {
		n, err := s.Read(buf)
		select {
		case m.batches <- arrival{i, buf[:n], err}:
		case <-m.done:
			return
		}
		if err != nil {
			return
		}
		select {
		case <-used:
		case <-m.done:
			return
		}
	}
}

func (m *arrivals) Read(events []event.Event) (int, error) {
	if len(events) == 0 {
		return 0, nil
	}
	for {
		select {
		case <-m.done:
			return 0, io.EOF
		default:
		}
		if n := copy(events, m.queue); n > 0 {
			m.queue = append(m.queue[:0], m.queue[n:]...)
			return n, nil
		}
		if m.busy && m.pos < len(m.cur.events) {
			n := copy(events, m.cur.events[m.pos:])
			m.pos += n
			for i := range events[:n] {
				m.now = max(m.now, events[i].Time)
				m.names.rename(m.cur.source, &events[i])
			}
			return n, nil
		}
		if m.busy {
			m.finish()
			continue
		}
		if m.open == 0 {
			return 0, outcome(m.errs)
		}
		select {
		case m.cur = <-m.batches:
			m.busy, m.pos = true, 0
		case <-m.done:
			return 0, io.EOF
		}
	}
}

// finish gives a used-up batch back to its source, or takes note of the source's end.
func (m *arrivals) finish() {
	m.busy = false
	err := m.cur.err
	if err == nil {
		m.used[m.cur.source] <- struct{}{}
		return
	}
	m.open--
	if err == io.EOF {
		err = nil
	} else {
		m.errs = append(m.errs, err)
	}
	m.queue = append(m.queue, m.names.ends(m.cur.source, m.now, err)...)
}

func (m *arrivals) Close() error {
	m.once.Do(func() {
		close(m.done)
		var errs []error
		for _, s := range m.sources {
			errs = append(errs, s.Close())
		}
		m.wg.Wait()
		m.err = errors.Join(errs...)
	})
	return m.err
}
