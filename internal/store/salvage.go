package store

import (
	"fmt"
	"strconv"
	"strings"

	"go.etcd.io/bbolt"
)

// mostFaults is how many pages and values in a row that cannot be read end the reading of a kind.
const mostFaults = 4096

// readKind reads the values of a kind, each for itself: damage costs what it hit. It returns the first fault.
func (s *Store) readKind(tx *bbolt.Tx, kind Kind) (fault error) {
	var c *bbolt.Cursor
	step := func() (more bool, err error) {
		defer caught(&err)
		var k, v []byte
		if c == nil {
			b := tx.Bucket([]byte(kind))
			if b == nil {
				return false, nil // a kind that came later
			}
			c = b.Cursor()
			k, v = c.First()
		} else {
			k, v = c.Next()
		}
		if k == nil {
			return false, nil
		}
		key := string(k)
		r, err := decode(key, v)
		if err != nil {
			return true, err
		}
		if _, double := s.values[kind][key]; double {
			return true, fmt.Errorf("value %q is there twice", key)
		}
		s.values[kind][key] = r
		s.grow(kind, len(key)+len(r.value))
		return true, nil
	}
	for faults := 0; faults < mostFaults; {
		more, err := step()
		switch {
		case err == nil && !more, err != nil && c == nil:
			return firstOf(fault, err)
		case err != nil:
			faults++
			fault = firstOf(fault, err)
		default:
			faults = 0
		}
	}
	return fault
}

func firstOf(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

// counts are how many values there are of each kind, as kind and number: by it a later reading knows what it misses.
func (s *Store) counts() string {
	var list []string
	for _, kind := range kinds {
		if n := len(s.values[kind]); kind != meta && n > 0 {
			list = append(list, string(kind)+" "+strconv.Itoa(n))
		}
	}
	return strings.Join(list, ", ")
}

// lost names what was there when the file was written and could not be read.
func (s *Store) lost() string {
	var list []string
	for entry := range strings.SplitSeq(string(s.values[meta][countsKey].value), ", ") {
		kind, number, _ := strings.Cut(entry, " ")
		if n, err := strconv.Atoi(number); err == nil && n > len(s.values[Kind(kind)]) {
			list = append(list, fmt.Sprintf("%d of %d %s", n-len(s.values[Kind(kind)]), n, kind))
		}
	}
	return strings.Join(list, ", ")
}

// salvage goes on with what could be read of a damaged file, under numbers of deliveries that were not used.
func (s *Store) salvage() {
	for key := range s.values[Deliveries] {
		_, id := cutKey(key)
		s.next = max(s.next, id)
	}
	s.next += numbersLost
	s.offered = s.next
	s.put(meta, nextKey, strconv.AppendUint(nil, s.next, 10))
	for _, kind := range kinds {
		if kind != meta {
			s.unreadable.kept += len(s.values[kind])
		}
	}
	s.unreadable.lost = s.lost()
	s.shape = 0 // the file goes aside
}
