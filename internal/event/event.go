// Package event defines what a tap hands on: one thing that happened on one network at one moment.
//
// It is at the left end of the data flow so that sources, which do I/O, and the model, which does none, can share it.
package event

import (
	"fmt"
	"time"

	"go.einride.tech/can"
)

// Time is a moment in nanoseconds since 1970-01-01 UTC. Zero means unset: the source gave no time.
type Time int64

// ClockSet is the first moment that a clock which was set can show, 2024-01-01; one that was not starts in 1970, or at the date of its
// firmware.
const ClockSet Time = 1704067200e9

// At converts a time.Time; the zero time.Time becomes the unset Time.
func At(t time.Time) Time {
	if t.IsZero() {
		return 0
	}
	return Time(t.UnixNano())
}

// UTC converts back. The unset Time becomes the zero time.Time.
func (t Time) UTC() time.Time {
	if t == 0 {
		return time.Time{}
	}
	return time.Unix(0, int64(t)).UTC()
}

// Add returns t moved by d.
func (t Time) Add(d time.Duration) Time { return t + Time(d) }

// Sub returns the span from u to t.
func (t Time) Sub(u Time) time.Duration { return time.Duration(t - u) }

// IsZero reports whether t is unset; it makes `json:",omitzero"` leave an unset time out.
func (t Time) IsZero() bool { return t == 0 }

// String is RFC 3339 in UTC with as many decimals as the source gave, or "unset".
func (t Time) String() string {
	if t == 0 {
		return "unset"
	}
	return t.UTC().Format(time.RFC3339Nano)
}

// MarshalText writes RFC 3339 in UTC.
func (t Time) MarshalText() ([]byte, error) {
	if t == 0 {
		return nil, fmt.Errorf("event: an unset time has no text form")
	}
	return t.UTC().AppendFormat(nil, time.RFC3339Nano), nil
}

// UnmarshalText reads RFC 3339.
func (t *Time) UnmarshalText(text []byte) error {
	v, err := time.Parse(time.RFC3339Nano, string(text))
	if err != nil {
		return fmt.Errorf("event: %w", err)
	}
	*t = At(v)
	return nil
}

// Kind is what an Event is about, and so which of its fields are set.
type Kind uint8

// The kinds of event. The comment names the fields that are set besides Time and Network.
const (
	KindNone       Kind = iota // nothing
	KindNetwork                // Info: this is what the network number represents from here on
	KindFrame                  // Frame, Sent: a classic CAN frame, also of 11 bits or remote; Count: its bits on the bus, or 0
	KindErrorFrame             // Frame: ID holds the error class bits (linux/can/error.h), Data the details
	KindDropped                // Count: frames lost between the bus and us since the last such event
	KindLine                   // Line, Sent: one raw NMEA 0183 line without its line end
	KindOversize               // Count: CAN FD or XL frames seen, which are not part of NMEA 2000
	KindDamaged                // Count, Line: unreadable lines or records of a capture; Line may hold the reason
	KindDown                   // Line: the source went away; Line may hold the reason
	KindUp                     // the source is back
	KindController             // Count: CAN controller state as in linux/can/netlink.h (0 active … 3 bus off, 4 stopped)
	KindBitRate                // Count: the interface's bit rate in bit/s
	KindEnd                    // the source ended
	kindCount
)

var kindNames = [kindCount]string{"none", "network", "frame", "error-frame", "dropped", "line", "oversize", "damaged", "down", "up", "controller", "bit-rate", "end"}

// String is the kind's name in lower case.
func (k Kind) String() string {
	if k < kindCount {
		return kindNames[k]
	}
	return fmt.Sprintf("kind(%d)", uint8(k))
}

// NetworkKind is one of the two families of network.
type NetworkKind string

// The network kinds as the report writes them.
const (
	NMEA2000 NetworkKind = "nmea2000"
	NMEA0183 NetworkKind = "nmea0183"
)

// Network describes one network of a boat as its source reports it.
type Network struct {
	ID        string      // short name, unique on the boat: "can0", "ttyUSB0"
	From      string      // the capture that it is from, where several are read at once
	Kind      NetworkKind // which family of protocol
	BitRate   uint32      // bit/s of a bus or baud of a line; 0 when the source does not report it
	Listen    bool        // the adapter is in listen-only mode and cannot disturb the bus
	Unstamped bool        // the source gives no times
	Timing    Timing      // as the driver of a CAN interface has it; zero elsewhere
	Queue     int         // bytes that the kernel lets wait to be read, where that is fewer than asked for; or 0
}

// Timing is how a CAN controller is set up besides its bit rate.
type Timing struct {
	SamplePoint uint32 // thousandths of a bit; 0 when unknown, and then so is the other
	RestartMS   uint32 // milliseconds after which the controller comes back from bus-off by itself; 0 for never
}

// Event is one thing that happened. It is passed by pointer or in reused slices; whoever keeps it copies it.
type Event struct {
	Time    Time
	Frame   can.Frame
	Line    []byte   // aliases the source's buffer: valid only until the next read
	Info    *Network // read-only
	Count   uint32
	Network uint16 // number of the network within the stream, from 0
	Kind    Kind
	Sent    bool // the frame or line was sent by the source itself
}
