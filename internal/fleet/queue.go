package fleet

import (
	"context"
	"errors"
	"slices"

	"muster/internal/input"
	"muster/internal/store"
)

// Target is under which name the store keeps what waits for the hub. No other target can have it.
const Target = "fleet:hub"

// class is the first byte of what waits: what it is, and so how dear.
type class byte

// The classes, in the order in which they are given up when there is no more room.
const (
	classInterval class = 'i' // report that an interval ended
	classChange   class = 'c' // report that something changed
	classSnapshot class = 's'
	classRecord   class = 'r'
	classAlert    class = 'a' // an envelope as JSON: it is queued where there is no time to compress it
)

var givenUpFirst = []class{classInterval, classChange, classSnapshot, classRecord, classAlert}

func (c class) kind() Kind {
	switch c {
	case classInterval, classChange:
		return KindReport
	case classSnapshot:
		return KindSnapshot
	case classRecord:
		return KindRecord
	case classAlert:
		return KindAlert
	}
	return ""
}

// open takes apart what waits. The data is ready to be sent.
func (u *Uplink) open(body []byte) (Kind, []byte, error) {
	if len(body) == 0 || class(body[0]).kind() == "" {
		return "", nil, errors.New("it cannot be read")
	}
	c, data := class(body[0]), body[1:]
	if c != classAlert {
		return c.kind(), data, nil
	}
	var e Envelope
	if err := input.OpenJSON(context.Background(), "", data, &e); err != nil {
		return "", nil, err
	}
	data, err := u.codec.Encode(&e)
	return c.kind(), data, err
}

// shed chooses which of the waiting items, oldest first, are given up so that at most n messages and size bytes
// remain: of the least dear class every second one, oldest first, and again, so that what remains still spans the
// time; alerts last, and the oldest of them first. A little room is made for what comes.
func shed(items []store.Item, n, size int) []uint64 {
	count, bytes := len(items), 0
	for _, it := range items {
		bytes += len(it.Body)
	}
	if count <= n && bytes <= size {
		return nil
	}
	n, size = n-n/16, size-size/16
	var gone []uint64
	for _, c := range givenUpFirst {
		var of []store.Item
		for _, it := range items {
			if len(it.Body) > 0 && class(it.Body[0]) == c || len(it.Body) == 0 && c == classInterval {
				of = append(of, it)
			}
		}
		step := 2
		if c == classAlert {
			step = 1
		}
		for len(of) > 0 && (count > n || bytes > size) {
			var stay []store.Item
			for i, it := range of {
				if (i%step == step-1 || len(of) == 1) && (count > n || bytes > size) {
					count, bytes = count-1, bytes-len(it.Body)
					gone = append(gone, it.ID)
				} else {
					stay = append(stay, it)
				}
			}
			of = stay
		}
	}
	slices.Sort(gone)
	return gone
}
