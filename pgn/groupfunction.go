package pgn

import (
	"encoding/binary"
	"fmt"
)

// GroupCode says what a group function does (126208, first byte; open device stack, trade manual).
type GroupCode uint8

// The group functions.
const (
	GroupRequest     GroupCode = 0 // asks for a message, or sets its interval
	GroupCommand     GroupCode = 1 // sets fields of a message, to one device only
	GroupAcknowledge GroupCode = 2 // answers a request or a command
	GroupRead        GroupCode = 3
	GroupReadReply   GroupCode = 4
	GroupWrite       GroupCode = 5
	GroupWriteReply  GroupCode = 6
)

// String is the name of the function, "Command".
func (c GroupCode) String() string {
	if s := codeName("group_function", int64(c)); s != "" {
		return s
	}
	return fmt.Sprintf("group function %d", uint8(c))
}

// The special values of a request and of a command (open device stack, trade manual).
const (
	IntervalKeep    uint32 = 0xFFFFFFFF
	IntervalDefault uint32 = 0xFFFFFFFE
	IntervalStop    uint32 = 0
	OffsetKeep      uint16 = 0xFFFF
	PriorityKeep    uint8  = 8
	PriorityDefault uint8  = 9
)

// GroupParameter is one field of the target message with its value.
type GroupParameter struct {
	Number uint8  // of the field, from 1
	Field  *Field // nil when the target's layout or the field is not known; then Value is the rest of the payload
	Value  []byte // as sent, rounded up to whole bytes; aliases the payload
}

// Decode interprets the bytes. ok is false when the field is not known.
func (g GroupParameter) Decode() (v Value, ok bool) {
	if g.Field == nil {
		return Value{}, false
	}
	v.Field = g.Field
	c := cursor{d: &Definition{PGN: PGNGroupFunction}, p: g.Value}
	c.readAs(g.Field, &v)
	return v, v.State != Missing
}

// GroupFunction reads and changes the fields of another message (126208). Which parts hold something depends on Code.
type GroupFunction struct {
	Code          GroupCode
	PGN           uint32 // the target
	Interval      uint32 // Request: ms, or IntervalKeep, IntervalDefault, IntervalStop
	Offset        uint16 // Request: steps of 10 ms (from memory), or OffsetKeep
	Priority      uint8  // Command: 0 to 7, PriorityKeep or PriorityDefault; 4 bits
	PGNError      uint8  // Acknowledge: table "pgn_error"
	IntervalError uint8  // Acknowledge: table "interval_error"
	Manufacturer  uint16 // Read to WriteReply of a proprietary target: its maker
	Industry      uint8  // likewise: the industry group
	UniqueID      uint8  // Read to WriteReply

	Selection  []GroupParameter // Read to WriteReply: which one of several
	Parameters []GroupParameter // the fields; those of a Read have no value
	Errors     []uint8          // Acknowledge: one code for each field, table "parameter_error"
}

// Decode reads a payload. The slices are reused, the values alias p. A payload that ends early is an error.
func (m *GroupFunction) Decode(p []byte) error {
	*m = GroupFunction{Selection: m.Selection[:0], Parameters: m.Parameters[:0], Errors: m.Errors[:0]}
	if len(p) < 4 {
		return short("group function", p, 4)
	}
	m.Code = GroupCode(p[0])
	c := cursor{d: Lookup(PGNGroupFunction).For(p), p: p}
	if m.Code > GroupWriteReply {
		m.PGN = get24(p[1:])
		return fmt.Errorf("pgn: decode group function: unknown code %d", p[0])
	}
	var v Value
	announced := 0
	for at := 0; c.next(&v); at = c.bit >> 3 {
		if v.State == Missing {
			return fmt.Errorf("pgn: decode group function %d: field %s: %w", p[0], v.Field.Key, ErrShort)
		}
		switch v.Field.Key {
		case "target_pgn":
			m.PGN = uint32(v.Raw)
		case "transmission_interval":
			m.Interval = uint32(v.Raw)
		case "transmission_interval_offset":
			m.Offset = uint16(v.Raw)
		case "priority":
			m.Priority = uint8(v.Raw)
		case "pgn_error":
			m.PGNError = uint8(v.Raw)
		case "interval_error":
			m.IntervalError = uint8(v.Raw)
		case "manufacturer_code":
			m.Manufacturer = uint16(v.Raw)
		case "industry_code":
			m.Industry = uint8(v.Raw)
		case "unique_id":
			m.UniqueID = uint8(v.Raw)
		case "number_of_parameter_pairs", "number_of_parameters", "number_of_selection_pairs":
			announced += int(v.Raw)
		case "parameter_error":
			m.Errors = append(m.Errors, uint8(v.Raw))
		case "selection_parameter":
			m.Selection = append(m.Selection, GroupParameter{Number: uint8(v.Raw)})
		case "parameter":
			m.Parameters = append(m.Parameters, GroupParameter{Number: uint8(v.Raw)})
		case "selection_value":
			g := &m.Selection[len(m.Selection)-1]
			g.Field, g.Value = v.Of, p[at:c.bit>>3]
		case "value":
			g := &m.Parameters[len(m.Parameters)-1]
			g.Field, g.Value = v.Of, p[at:c.bit>>3]
		}
	}
	if n := len(m.Selection) + len(m.Parameters) + len(m.Errors); n < announced {
		return fmt.Errorf("pgn: decode group function %d: %d of %d parameters: %w", p[0], n, announced, ErrShort)
	}
	return nil
}

// Append adds the payload. The caller keeps it within the 223 bytes of a fast packet.
func (m *GroupFunction) Append(dst []byte) []byte {
	dst = append24(append(dst, byte(m.Code)), m.PGN)
	switch m.Code {
	case GroupRequest:
		dst = binary.LittleEndian.AppendUint32(dst, m.Interval)
		dst = binary.LittleEndian.AppendUint16(dst, m.Offset)
		return appendPairs(append(dst, byte(len(m.Parameters))), m.Parameters)
	case GroupCommand:
		return appendPairs(append(dst, m.Priority|0xF0, byte(len(m.Parameters))), m.Parameters)
	case GroupAcknowledge:
		dst = append(dst, m.PGNError&15|m.IntervalError<<4, byte(len(m.Errors)))
		for i, e := range m.Errors {
			if i%2 == 0 {
				dst = append(dst, e&15|0xF0)
			} else {
				dst[len(dst)-1] = dst[len(dst)-1]&15 | e<<4
			}
		}
		return dst
	}
	if Proprietary(m.PGN) {
		dst = binary.LittleEndian.AppendUint16(dst, m.Manufacturer&0x7FF|0x1800|uint16(m.Industry&7)<<13)
	}
	dst = append(dst, m.UniqueID, byte(len(m.Selection)), byte(len(m.Parameters)))
	return appendPairs(appendPairs(dst, m.Selection), m.Parameters)
}

func appendPairs(dst []byte, pairs []GroupParameter) []byte {
	for _, g := range pairs {
		dst = append(append(dst, g.Number), g.Value...)
	}
	return dst
}
