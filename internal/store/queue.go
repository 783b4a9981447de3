package store

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"muster/internal/event"
)

// Item is one thing that is still to be delivered. Ids grow and are never used again.
type Item struct {
	ID     uint64
	Body   []byte
	Queued time.Time // to the second; zero when the clock was not set
}

// deliveryKey orders by target, then id.
func deliveryKey(target string, id uint64) string { return fmt.Sprintf("%s/%016x", target, id) }

func cutKey(key string) (target string, id uint64) {
	i := strings.LastIndexByte(key, '/')
	if i < 0 {
		return "", 0
	}
	id, _ = strconv.ParseUint(key[i+1:], 16, 64)
	return key[:i], id
}

// Queue puts a delivery behind the others of its target. Like any value it is on the card after the next Sync.
func (s *Store) Queue(target string, body []byte) uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.next++
	s.put(meta, nextKey, strconv.AppendUint(nil, s.next, 10))
	s.put(Deliveries, deliveryKey(target, s.next), body)
	return s.next
}

// numbersLost is how many deliveries a run makes at most.
const numbersLost = 1 << 20

// Skip passes over the numbers of deliveries that an earlier run may have made while the card took nothing, so that none of them
// comes again. Without it a number can come again after such a run.
func (s *Store) Skip() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.next += numbersLost
	s.put(meta, nextKey, strconv.AppendUint(nil, s.next, 10))
}

// Waiting lists up to limit deliveries of a target that have been through a Sync, oldest first.
func (s *Store) Waiting(target string, limit int) []Item {
	s.mu.Lock()
	defer s.mu.Unlock()
	var items []Item
	for key, r := range s.values[Deliveries] {
		if t, id := cutKey(key); t == target && id <= s.offered {
			it := Item{ID: id, Body: r.value}
			if r.at >= plausible {
				it.Queued = time.Unix(r.at, 0)
			}
			items = append(items, it)
		}
	}
	slices.SortFunc(items, func(a, b Item) int { return cmp.Compare(a.ID, b.ID) })
	return items[:min(limit, len(items))]
}

// Delivered drops deliveries that were made.
func (s *Store) Delivered(target string, ids ...uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, id := range ids {
		s.drop(Deliveries, deliveryKey(target, id))
	}
}

// plausible is the second before which the ages of values have no meaning.
const plausible = int64(event.ClockSet / 1e9)

// trim drops what is too old or too much: first deliveries, then devices, oldest first. The rest is bounded by whoever puts it.
func (s *Store) trim() {
	now := s.opt.Now().Unix()
	if now >= plausible {
		for _, kind := range []Kind{Deliveries, Devices} {
			for key, r := range s.values[kind] {
				switch {
				case r.at < plausible: // set while the clock was not
					r.at = now
					s.values[kind][key] = r
					s.dirty[kind][key] = true
				case now-r.at > int64(s.opt.MaxAge.Seconds()):
					s.drop(kind, key)
					s.stats.Shed++
				}
			}
		}
	}
	for _, kind := range []Kind{Deliveries, Devices} {
		if s.size <= s.opt.MaxBytes {
			return
		}
		type aged struct {
			key string
			at  int64
			id  uint64
		}
		var oldest []aged
		for key, r := range s.values[kind] {
			a := aged{key: key, at: r.at}
			if kind == Deliveries {
				_, a.id = cutKey(key)
			}
			oldest = append(oldest, a)
		}
		slices.SortFunc(oldest, func(a, b aged) int {
			return cmp.Or(cmp.Compare(a.id, b.id), cmp.Compare(a.at, b.at), cmp.Compare(a.key, b.key))
		})
		for _, a := range oldest {
			if s.size <= s.opt.MaxBytes {
				return
			}
			s.drop(kind, a.key)
			s.stats.Shed++
		}
	}
}

// Unsent counts the deliveries of a target that are not yet made.
func (s *Store) Unsent(target string) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 0
	for key := range s.values[Deliveries] {
		if t, _ := cutKey(key); t == target {
			n++
		}
	}
	return n
}

// Forget drops the deliveries of every target but those named.
func (s *Store) Forget(but ...string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for key := range s.values[Deliveries] {
		if t, _ := cutKey(key); !slices.Contains(but, t) {
			s.drop(Deliveries, key)
		}
	}
}
