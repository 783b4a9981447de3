package transport

import "muster/internal/event"

const (
	none     = int32(-1)
	maxSlots = 1 << 16
)

// link places one slot of a table: in the chain of its hash bucket and in the list from longest to least waiting.
type link struct {
	key          uint64
	last         event.Time // of the last sign of life
	chain        int32      // next of the same bucket; next free slot when unused
	older, newer int32
}

// table is a fixed number of slots found by key and ordered by waiting time. The payload of slot i lies with the user of the table.
type table struct {
	links          []link
	buckets        []int32
	free           int32
	oldest, newest int32
	used           int
	shift          uint8
}

func (t *table) init(slots int) {
	t.links = make([]link, slots)
	for i := range t.links {
		t.links[i].chain = int32(i) + 1
	}
	t.links[slots-1].chain = none
	bits := uint8(1)
	for 1<<bits < 2*slots {
		bits++
	}
	t.shift = 64 - bits
	t.buckets = make([]int32, 1<<bits)
	for i := range t.buckets {
		t.buckets[i] = none
	}
	t.oldest, t.newest = none, none
}

func (t *table) bucket(key uint64) *int32 { return &t.buckets[key*0x9E3779B97F4A7C15>>t.shift] }

// find returns the slot with the key, or none.
func (t *table) find(key uint64) int32 {
	i := *t.bucket(key)
	for i != none && t.links[i].key != key {
		i = t.links[i].chain
	}
	return i
}

// add takes a free slot for a key that is not there. The caller makes room first.
func (t *table) add(key uint64, now event.Time) int32 {
	i := t.free
	l := &t.links[i]
	t.free = l.chain
	b := t.bucket(key)
	l.key, l.last, l.chain = key, now, *b
	*b = i
	t.append(i)
	t.used++
	return i
}

func (t *table) full() bool { return t.free == none }

// touch marks the slot as used just now.
func (t *table) touch(i int32, now event.Time) {
	t.links[i].last = now
	if t.newest != i {
		t.unlink(i)
		t.append(i)
	}
}

// drop frees the slot.
func (t *table) drop(i int32) {
	l := &t.links[i]
	b := t.bucket(l.key)
	for *b != i {
		b = &t.links[*b].chain
	}
	*b = l.chain
	t.unlink(i)
	l.chain, t.free = t.free, i
	t.used--
}

// restart lets everything open wait again from now on.
func (t *table) restart(now event.Time) {
	for i := t.oldest; i != none; i = t.links[i].newer {
		t.links[i].last = now
	}
}

func (t *table) append(i int32) {
	l := &t.links[i]
	l.older, l.newer = t.newest, none
	if t.newest != none {
		t.links[t.newest].newer = i
	} else {
		t.oldest = i
	}
	t.newest = i
}

func (t *table) unlink(i int32) {
	l := &t.links[i]
	if l.older != none {
		t.links[l.older].newer = l.newer
	} else {
		t.oldest = l.newer
	}
	if l.newer != none {
		t.links[l.newer].older = l.older
	} else {
		t.newest = l.older
	}
}
