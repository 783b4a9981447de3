package pgn

import (
	"encoding/binary"
	"fmt"
	"strconv"
)

// NAME is the 64-bit name that a device claims an address with (ISO 11783-5, SAE J1939-81). The lower number wins an address.
type NAME uint64

// NameFields are the parts of a NAME.
type NameFields struct {
	UniqueNumber     uint32 // 21 bits
	Manufacturer     uint16 // 11 bits
	DeviceInstance   uint8  // 8 bits: lower 3 (ECU instance) and upper 5 (function instance)
	DeviceFunction   uint8
	DeviceClass      uint8 // 7 bits
	SystemInstance   uint8 // 4 bits
	IndustryGroup    uint8 // 3 bits; 4 is marine
	ArbitraryAddress bool  // can move to another address
}

// NAME packs the fields; each is cut to its width. The reserved bit is 0.
func (f NameFields) NAME() NAME {
	n := uint64(f.UniqueNumber&0x1FFFFF) | uint64(f.Manufacturer&0x7FF)<<21 | uint64(f.DeviceInstance)<<32 |
		uint64(f.DeviceFunction)<<40 | uint64(f.DeviceClass&0x7F)<<49 | uint64(f.SystemInstance&0xF)<<56 |
		uint64(f.IndustryGroup&7)<<60
	if f.ArbitraryAddress {
		n |= 1 << 63
	}
	return NAME(n)
}

// Fields takes the NAME apart.
func (n NAME) Fields() NameFields {
	return NameFields{
		UniqueNumber:     n.UniqueNumber(),
		Manufacturer:     n.Manufacturer(),
		DeviceInstance:   n.DeviceInstance(),
		DeviceFunction:   n.DeviceFunction(),
		DeviceClass:      n.DeviceClass(),
		SystemInstance:   n.SystemInstance(),
		IndustryGroup:    n.IndustryGroup(),
		ArbitraryAddress: n.ArbitraryAddress(),
	}
}

// UniqueNumber is the manufacturer's own number for the unit, 21 bits.
func (n NAME) UniqueNumber() uint32 { return uint32(n) & 0x1FFFFF }

// Manufacturer is the manufacturer's code, 11 bits.
func (n NAME) Manufacturer() uint16 { return uint16(n >> 21 & 0x7FF) }

// DeviceInstance is 0..255.
func (n NAME) DeviceInstance() uint8 { return uint8(n >> 32) }

// DeviceFunction is a code whose meaning depends on the class.
func (n NAME) DeviceFunction() uint8 { return uint8(n >> 40) }

// DeviceClass is 0..127.
func (n NAME) DeviceClass() uint8 { return uint8(n >> 49 & 0x7F) }

// SystemInstance is 0..15.
func (n NAME) SystemInstance() uint8 { return uint8(n >> 56 & 0xF) }

// IndustryGroup is 0..7; 4 is marine.
func (n NAME) IndustryGroup() uint8 { return uint8(n >> 60 & 7) }

// ArbitraryAddress reports whether the device can move to another address.
func (n NAME) ArbitraryAddress() bool { return n>>63 == 1 }

// String is 16 upper-case hex digits.
func (n NAME) String() string { return fmt.Sprintf("%016X", uint64(n)) }

// ParseNAME reads 16 hex digits.
func ParseNAME(s string) (NAME, error) {
	v, err := strconv.ParseUint(s, 16, 64)
	if err != nil || len(s) != 16 {
		return 0, fmt.Errorf("pgn: NAME %q is not 16 hex digits", s)
	}
	return NAME(v), nil
}

// DecodeNAME reads the 8 bytes of an address claim (little endian). ok is false when there are fewer.
func DecodeNAME(p []byte) (n NAME, ok bool) {
	if len(p) < 8 {
		return 0, false
	}
	return NAME(binary.LittleEndian.Uint64(p)), true
}

// Append adds the 8 bytes of an address claim.
func (n NAME) Append(p []byte) []byte { return binary.LittleEndian.AppendUint64(p, uint64(n)) }
