package capture

import (
	"encoding/binary"

	"muster/internal/event"
)

// putFrame lays an event out as a record of link type 227: identifier and flags big-endian, length, three more bytes, data.
// dst must hold 16 bytes; it returns how many are used.
func putFrame(dst []byte, e *event.Event) int {
	id := e.Frame.ID
	switch {
	case e.Kind == event.KindErrorFrame:
		id |= flagError
	case e.Frame.IsExtended:
		id |= flagExtended
	}
	if e.Frame.IsRemote {
		id |= flagRemote
	}
	n := min(int(e.Frame.Length), 8)
	clear(dst[:16])
	binary.BigEndian.PutUint32(dst, id)
	dst[4] = uint8(n)
	if e.Frame.IsRemote {
		return 8
	}
	copy(dst[8:16], e.Frame.Data[:n])
	return 8 + n
}

// takeFrame reads such a record into e: kind, frame and count. e must be zero in these.
func takeFrame(b []byte, e *event.Event) Reason {
	const xlFlag, fdFlag = 0x80, 0x04
	if len(b) < 8 {
		return ReasonRecord
	}
	if b[4]&xlFlag != 0 || b[5]&fdFlag != 0 || len(b) >= 72 {
		e.Kind, e.Count = event.KindOversize, 1
		return reasonNone
	}
	id, n := binary.BigEndian.Uint32(b), int(b[4])
	switch {
	case n > 8:
		return ReasonLength
	case id&flagError != 0:
		e.Kind, e.Frame.ID = event.KindErrorFrame, id&0x1FFFFFFF
	case id&flagExtended != 0:
		e.Kind, e.Frame.ID, e.Frame.IsExtended = event.KindFrame, id&0x1FFFFFFF, true
	case id&0x1FFFFFFF > 0x7FF:
		return ReasonID
	default:
		e.Kind, e.Frame.ID = event.KindFrame, id&0x7FF
	}
	e.Frame.Length = uint8(n)
	if id&flagRemote != 0 && e.Kind == event.KindFrame {
		e.Frame.IsRemote = true
		return reasonNone
	}
	if len(b) < 8+n {
		e.Frame = event.Event{}.Frame
		e.Kind = event.KindNone
		return ReasonRecord
	}
	copy(e.Frame.Data[:n], b[8:8+n])
	return reasonNone
}

// Link types (tcpdump.org/linktypes.html).
const (
	linkCAN       = 227
	linkCooked    = 113 // "any" capture: 16 bytes in front
	linkCookedTwo = 276 // the newer one: 20 bytes
)

func knownLink(link uint32) bool {
	return link == linkCAN || link == linkCooked || link == linkCookedTwo
}

// payload takes the SocketCAN part out of a record; nil when the record is of another protocol.
func payload(link uint32, b []byte) []byte {
	const etherCAN, etherFD, etherXL = 0x000C, 0x000D, 0x000E // linux/if_ether.h
	at, head := 0, 0
	switch link {
	case linkCAN:
		return b
	case linkCooked:
		at, head = 14, 16
	case linkCookedTwo:
		at, head = 0, 20
	}
	if head == 0 || len(b) < head {
		return nil
	}
	if p := binary.BigEndian.Uint16(b[at:]); p != etherCAN && p != etherFD && p != etherXL {
		return nil
	}
	return b[head:]
}
