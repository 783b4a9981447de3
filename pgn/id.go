package pgn

// ID is the 29-bit identifier of a frame: priority, PGN with destination, source (ISO 11783-3, SAE J1939-21).
type ID uint32

// Special addresses.
const (
	Global  uint8 = 255 // destination: everybody
	Null    uint8 = 254 // source: has no address
	MaxAddr uint8 = 251 // highest address that an NMEA 2000 device claims
)

// MakeID builds the identifier. For a PDU1 PGN (format below 240) the destination goes into it; otherwise dst is ignored.
// Priority is cut to 3 bits, pgn to 18.
func MakeID(priority uint8, pgn uint32, src, dst uint8) ID {
	id := uint32(priority&7)<<26 | (pgn&0x3FFFF)<<8 | uint32(src)
	if pgn>>8&0xFF < 240 {
		id = id&^0xFF00 | uint32(dst)<<8
	}
	return ID(id)
}

// Priority is 0 (highest) to 7.
func (id ID) Priority() uint8 { return uint8(id >> 26 & 7) }

// Source is the sender's address.
func (id ID) Source() uint8 { return uint8(id) }

// PGN is the 18-bit parameter group number; its low byte is 0 when the message is addressed (PDU1).
func (id ID) PGN() uint32 {
	p := uint32(id) >> 8 & 0x3FFFF
	if p>>8&0xFF < 240 {
		p &^= 0xFF
	}
	return p
}

// Addressed reports whether the message goes to one destination (PDU1), which may be Global.
func (id ID) Addressed() bool { return id>>16&0xFF < 240 }

// Destination is the receiver's address, Global for a message that has none.
func (id ID) Destination() uint8 {
	if id.Addressed() {
		return uint8(id >> 8)
	}
	return Global
}
