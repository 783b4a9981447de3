// Package report is the report as it is written and read: what leaves the process, and all that outputs, snapshots
// and the fleet go by.
//
// A report is made of a boat's State and its alerts. It holds less than the State, so nothing that checks a boat
// takes one.
package report

import (
	_ "embed"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
)

// The versions of a Report's shape: V2 is written; V1, which lists NAMEs and has no units, is read, and written on
// request.
const (
	V1 = "muster.report/v1"
	V2 = "muster.report/v2"
)

// Schema is the JSON Schema (draft 2020-12) of a Report, and SchemaV1 that of its version 1.
var (
	//go:embed report.schema.json
	Schema []byte
	//go:embed report.v1.schema.json
	SchemaV1 []byte
)

// Report is what is known of one boat at one moment, as it is written.
// Missing knowledge is an absent key: every optional field is omitted when it has no value.
type Report struct {
	Schema   string        `json:"schema"`
	Boat     boat.Identity `json:"boat"`
	TakenAt  event.Time    `json:"taken_at,omitzero"` // event time of the last thing fed
	Clock    boat.Clock    `json:"clock"`
	Window   boat.Window   `json:"window"`
	Networks []Network     `json:"networks"`
	Units    []Unit        `json:"units,omitzero"`   // the boxes; nil in version 1
	Old      []Device      `json:"devices,omitzero"` // version 1: every NAME of every network
	Talkers  []Talker      `json:"talkers"`
	Manual   []boat.Manual `json:"manual"`

	Decisions []boat.Decision `json:"decisions,omitempty"` // by hand, of which presences are one unit; never in version 1

	Alerts []alert.Alert `json:"alerts"`

	Verdict *Verdict `json:"verdict,omitempty"` // absent in reports of earlier versions; see Conclusion
	Judged  *Judged  `json:"judged,omitempty"`  // what the verdict rests on

	Devices []Device `json:"-"` // the presences of all units on backbones, sorted by network, then NAME
}

// Network is one NMEA 2000 backbone or NMEA 0183 line.
type Network struct {
	ID         string            `json:"id"`
	Source     string            `json:"source,omitempty"` // the capture that it is from, where several were read at once
	Kind       event.NetworkKind `json:"kind"`
	BitRate    uint32            `json:"bit_rate,omitempty"` // bit/s or baud
	ListenOnly bool              `json:"listen_only,omitempty"`
	// What the driver of a CAN interface reports besides; absent elsewhere.
	SamplePoint float64     `json:"sample_point,omitempty"` // part of a bit, such as 0.875
	RestartMS   *uint32     `json:"restart_ms,omitempty"`   // after which the controller comes back from bus-off by itself; 0 for never
	State       string      `json:"state,omitempty"`        // CAN controller state: active, warning, passive, bus-off, stopped; or down
	Frames      uint64      `json:"frames"`                 // data frames, or lines on NMEA 0183
	Load        *boat.Load  `json:"load,omitempty"`
	Faults      boat.Faults `json:"faults"`

	Live *boat.Network `json:"-"` // the model that it was made of, which holds more; nil in a report that was read
}

// Device is one device of the device list.
type Device struct {
	ID           string             `json:"id"` // NAME as 16 hex digits; "can0/35" for a provisional device
	Network      string             `json:"network"`
	Address      *uint8             `json:"address,omitempty"` // absent when it has none
	Addresses    []boat.AddressUse  `json:"addresses,omitempty"`
	State        boat.DeviceState   `json:"state"`
	Role         boat.Role          `json:"role,omitempty"`
	Own          bool               `json:"own,omitempty"` // muster's own presence
	Name         *boat.Name         `json:"name,omitempty"`
	Product      *boat.Product      `json:"product,omitempty"`
	LastKnown    *boat.LastKnown    `json:"last_known,omitempty"` // of before, while Product is absent; never in version 1
	Installation *boat.Installation `json:"installation,omitempty"`
	Transmits    []Transmit         `json:"transmits,omitempty"` // sorted by PGN, then instance
	Receives     []uint32           `json:"receives,omitempty"`  // PGNs that it declares as received
	Declares     []uint32           `json:"declares,omitempty"`  // PGNs that it declares as transmitted
	FirstSeen    event.Time         `json:"first_seen,omitzero"`
	LastSeen     event.Time         `json:"last_seen,omitzero"`
	Restarts     int                `json:"restarts,omitempty"`
	Load         float64            `json:"load,omitempty"`             // share of the bit rate that its messages take, 0..1
	Software     []boat.Software    `json:"software_history,omitempty"` // oldest first
	Unanswered   string             `json:"unanswered,omitempty"`       // why asking it for its identity was given up
	Left         bool               `json:"left_behind,omitempty"`      // its unit sends under another NAME since, or was replaced; this is only the past

	Talker string `json:"-"` // its letters where it represents a talker, see Talker.Device
	Unit   string `json:"-"` // id of the unit that it is a presence of

	Live *boat.Device `json:"-"` // the model that it was made of, which holds more; nil in a report that was read
}

// Transmit is one message that a device sends, split by data instance.
type Transmit struct {
	PGN       uint32         `json:"pgn"`
	Title     string         `json:"title,omitempty"`
	Instance  *uint8         `json:"instance,omitempty"` // the data instance inside the message, when it has one
	Selector  *uint8         `json:"selector,omitempty"` // what the instance is one of, where its number alone is not unique: fluid type, temperature source
	Count     uint64         `json:"count"`
	Interval  *boat.Interval `json:"interval_ms,omitempty"` // needs two messages
	Nominal   float64        `json:"nominal_ms,omitempty"`  // the published interval
	Available *bool          `json:"available,omitempty"`   // whether any message of the last minute carried a value
	Load      float64        `json:"load,omitempty"`        // share of the bit rate that it takes, 0..1; 0 when it has stopped
	Measures  []string       `json:"measures,omitempty"`    // of a message of several quantities, which of them the last minute gave values of

	// Volts is the latest voltage of a battery or DC source, and VoltsAt when it was sent; absent for other messages.
	Volts   *float64   `json:"volts,omitempty"`
	VoltsAt event.Time `json:"volts_at,omitzero"`

	Live *boat.Transmit `json:"-"` // the model that it was made of, which holds more; nil in a report that was read
}

// Talker is one NMEA 0183 talker on one line.
type Talker struct {
	Network   string               `json:"network"`
	Talker    string               `json:"talker"`
	Sentences []Sentence           `json:"sentences"`
	Identity  *boat.TalkerIdentity `json:"identity,omitempty"`
	Heartbeat *boat.Heartbeat      `json:"heartbeat,omitempty"`        // the latest HBT sentence
	Texts     []boat.Text          `json:"texts,omitempty"`            // of TXT, up to eight, each once, oldest first
	AIS       *boat.AIS            `json:"ais,omitempty"`              // from its AIS sentences
	Software  []boat.Software      `json:"software_history,omitempty"` // of the unit that it reported it is, oldest first

	Unanswered string `json:"unanswered,omitempty"` // why asking it for its identity was given up
	Unit       string `json:"-"`                    // id of the unit that it is a presence of

	Live *boat.Talker `json:"-"` // the model that it was made of, which holds more; nil in a report that was read
}

// Sentence is one sentence type that a talker sends.
type Sentence struct {
	Formatter      string         `json:"formatter"`
	Count          uint64         `json:"count"`
	Interval       *boat.Interval `json:"interval_ms,omitempty"`
	ChecksumErrors uint64         `json:"checksum_errors,omitempty"`
	Gives          []string       `json:"gives,omitempty"` // names of the Quantities of which the last minute gave values

	Live *boat.Sentence `json:"-"` // the model that it was made of, which holds more; nil in a report that was read
}

// Silent reports whether nothing is received on the network: nothing came yet, or its source went away.
func (n *Network) Silent() bool { return n.Frames == 0 || n.Live != nil && !n.Live.DownSince.IsZero() }

// Recent are the faults of the last full minute, and LoadRecent is its load, 0..1. Only a running model has them.
func (n *Network) Recent() boat.Faults {
	if n.Live == nil {
		return boat.Faults{}
	}
	return n.Live.Recent
}

// LoadRecent is the load over the last full minute: see Recent.
func (n *Network) LoadRecent() float64 {
	if n.Live == nil {
		return 0
	}
	return n.Live.LoadRecent
}
