package transport

import (
	"muster/internal/event"
	"muster/pgn"
)

// Message is one whole message as it went over one network.
type Message struct {
	Time        event.Time // of the frame that completed it
	Data        []byte     // aliases the event or the assembler: valid until the next Feed
	ID          pgn.ID     // of the message; for the ISO protocol that of the message carried, not of its carrier
	Network     uint16     // number of the network within the stream
	Destination uint8      // receiver's address, pgn.Global for all
	Frames      uint8      // how many frames carried it
	Fast        bool       // they were a fast packet, with the sequence counter Sequence
	Sequence    uint8      // 0 to 7
}

// PGN is the message's parameter group number.
func (m *Message) PGN() uint32 { return m.ID.PGN() }

// Source is the sender's address.
func (m *Message) Source() uint8 { return m.ID.Source() }

// Reason is why a message did not come whole. Each counts messages, not frames: what is left of a message that broke
// is passed over.
type Reason uint8

// The reasons. Fast packet ones come first.
const (
	FastNoStart    Reason = iota // the first frame was missed
	FastGap                      // a frame was missed, doubled or out of order
	FastRestart                  // a first frame came while the same sequence was still open
	FastBadLength                // announced length is 0 or above 223
	FastBeyond                   // frame number beyond the announced length
	FastShort                    // frame too short for what it should carry
	FastTimeout                  // no frame for longer than the timeout
	FastShed                     // given up to bound memory
	FastLost                     // no frame of it came, see lostTable
	ISONoStart                   // data without an announcement
	ISOGap                       // a packet of a broadcast was missed, doubled or out of order
	ISORestart                   // a new announcement came while the old transfer was open
	ISOBadAnnounce               // size, packet count or message number that cannot be
	ISOBeyond                    // packet number beyond the announced count
	ISOShort                     // frame too short for what it should carry
	ISOTimeout                   // no packet for longer than the timeout
	ISOAbort                     // either side aborted
	ISOShed                      // given up to bound memory
	ReasonCount                  // how many reasons there are
)

var reasonNames = [ReasonCount]string{
	"fast-no-start", "fast-gap", "fast-restart", "fast-bad-length", "fast-beyond", "fast-short", "fast-timeout", "fast-shed", "fast-lost",
	"iso-no-start", "iso-gap", "iso-restart", "iso-bad-announce", "iso-beyond", "iso-short", "iso-timeout", "iso-abort", "iso-shed",
}

// String is the reason in lower case, fit for a metric label.
func (r Reason) String() string {
	if r < ReasonCount {
		return reasonNames[r]
	}
	return "unknown"
}

// Counters counts messages that did not come whole by reason.
type Counters [ReasonCount]uint64

// Broken is the number of fast packet messages that lost a part or were never whole.
func (c *Counters) Broken() uint64 {
	return c[FastNoStart] + c[FastGap] + c[FastRestart] + c[FastBadLength] + c[FastBeyond] + c[FastShort] + c[FastTimeout]
}

// Lost is the number of fast packet messages of which no frame came.
func (c *Counters) Lost() uint64 { return c[FastLost] }

// ISOErrors is the number of ISO transfers that failed.
func (c *Counters) ISOErrors() uint64 {
	return c[ISONoStart] + c[ISOGap] + c[ISORestart] + c[ISOBadAnnounce] + c[ISOBeyond] + c[ISOShort] + c[ISOTimeout] + c[ISOAbort]
}

// Shed is the number of unfinished messages given up to bound memory.
func (c *Counters) Shed() uint64 { return c[FastShed] + c[ISOShed] }
