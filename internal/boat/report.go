package boat

import (
	"math"
	"time"

	"muster/internal/event"
)

// ReportSchema names the version of the report's shape.
const ReportSchema = "muster.report/v1"

// Report is what is known of one boat at one moment. It shares nothing with the Boat it came from.
// Missing knowledge is an absent key: every optional field is omitted when it has no value.
type Report struct {
	Schema   string     `json:"schema"`
	Boat     Identity   `json:"boat"`
	TakenAt  event.Time `json:"taken_at,omitzero"` // event time of the last thing fed
	Clock    Clock      `json:"clock"`
	Window   Window     `json:"window"`
	Networks []Network  `json:"networks"`
	Devices  []Device   `json:"devices"` // sorted by network, then NAME
	Talkers  []Talker   `json:"talkers"`
	Manual   []Manual   `json:"manual"`
	Alerts   []Alert    `json:"alerts"`

	// Facts for the checks that the report does not carry.
	Sources []Source `json:"-"` // by measure, network and id
	Echoes  []Echo   `json:"-"` // by measure, From and To
}

// Identity names the boat.
type Identity struct {
	ID   string `json:"id,omitempty"`
	Name string `json:"name,omitempty"`
}

// Clock says where the report's times come from.
type Clock string

// Where times come from.
const (
	ClockCapture Clock = "capture" // the stamps of a recorded file
	ClockSystem  Clock = "system"  // this computer's clock
	ClockGNSS    Clock = "gnss"    // satellite time taken from the bus
	ClockUnset   Clock = "unset"   // no usable time
)

// Window is the span of event time that the report covers.
type Window struct {
	From    event.Time `json:"from,omitzero"`
	To      event.Time `json:"to,omitzero"`
	MovedMS float64    `json:"moved_ms,omitzero"` // by which the clock was set since From: every time in the window was moved by it
}

// MovedSince is by how much the clock was set between an earlier report of the same run and this one: what was remembered of that one is
// to be moved by it. It is 0 when the clock just ran, and for reports of different runs, whose windows begin at unrelated moments.
func (w Window) MovedSince(earlier Window) time.Duration {
	by, told := w.From.Sub(earlier.From), w.MovedMS-earlier.MovedMS
	if told == 0 || math.Abs(by.Seconds()*1e3-told) > 1 {
		return 0
	}
	return by
}

// Network is one NMEA 2000 backbone or NMEA 0183 line.
type Network struct {
	ID         string            `json:"id"`
	Kind       event.NetworkKind `json:"kind"`
	BitRate    uint32            `json:"bit_rate,omitempty"` // bit/s or baud
	ListenOnly bool              `json:"listen_only,omitempty"`
	State      string            `json:"state,omitempty"` // CAN controller state: active, warning, passive, bus-off, stopped; or down
	Frames     uint64            `json:"frames"`          // data frames, or lines on NMEA 0183
	Load       *Load             `json:"load,omitempty"`
	Faults     Faults            `json:"faults"`

	// Facts for the checks that the report does not carry.
	LoadRecent  float64    `json:"-"` // load over the last full minute, 0..1
	RecentFrom  event.Time `json:"-"` // start of the interval that the Recent counters cover
	Recent      Faults     `json:"-"` // faults of the last full minute
	FaultSince  FaultTimes `json:"-"` // when faults of the present run of faults began
	Line        LineState  `json:"-"` // of an NMEA 0183 line
	Contests    []Contest  `json:"-"` // addresses that two NAMEs claimed
	Twins       []Twin     `json:"-"` // NAMEs that claim from two places at once
	DownSince   event.Time `json:"-"`
	BusOffSince event.Time `json:"-"`
}

// LineState is what the bytes of an NMEA 0183 line show of the line.
type LineState struct {
	Condition  string // good, noisy, wrong-baud or other-protocol; "" while too little was heard
	LikelyBaud uint32 // of the talker when the rate in use is wrong; 0 when it cannot be told
}

// Load is the share of the network's bit rate in use, 0..1.
type Load struct {
	Mean float64 `json:"mean"` // over the whole window
	Peak float64 `json:"peak"` // busiest second
}

// Faults counts what went wrong on a network. A zero count is left out.
type Faults struct {
	ErrorFrames     uint64 `json:"error_frames,omitempty"`
	BusOff          uint64 `json:"bus_off,omitempty"`
	Dropped         uint64 `json:"dropped,omitempty"`          // frames lost between the bus and us
	BrokenSequences uint64 `json:"broken_sequences,omitempty"` // multi-frame messages that lost a part
	TransportErrors uint64 `json:"transport_errors,omitempty"` // ISO transport sessions aborted or timed out
	AssembliesShed  uint64 `json:"assemblies_shed,omitempty"`  // unfinished messages given up to bound memory
	StandardFrames  uint64 `json:"standard_frames,omitempty"`  // 11-bit identifiers
	RemoteFrames    uint64 `json:"remote_frames,omitempty"`
	OversizeFrames  uint64 `json:"oversize_frames,omitempty"`  // CAN FD and longer than 8 bytes
	InvalidMessages uint64 `json:"invalid_messages,omitempty"` // management messages that cannot be read
	DamagedRecords  uint64 `json:"damaged_records,omitempty"`  // capture lines or records that could not be read
	TimeJumps       uint64 `json:"time_jumps,omitempty"`       // stamps that went back
	Untracked       uint64 `json:"untracked,omitempty"`        // devices or messages beyond the memory bound
	SourceLost      uint64 `json:"source_lost,omitempty"`      // times the adapter or connection went away
	ChecksumErrors  uint64 `json:"checksum_errors,omitempty"`  // NMEA 0183
	GarbledLines    uint64 `json:"garbled_lines,omitempty"`    // NMEA 0183
	UncheckedLines  uint64 `json:"unchecked_lines,omitempty"`  // NMEA 0183 without a checksum
}

// FaultTimes says since when the present run of each fault lasts (no run ends before a minute without the fault).
type FaultTimes struct {
	ErrorFrames, Dropped, BrokenSequences event.Time
}

// Contest is one address that more than one NAME claimed.
type Contest struct {
	Address uint8
	Names   []string // NAMEs as 16 hex digits, sorted
	Claims  int      // changes of owner within the last minute
	Since   event.Time
	Last    event.Time
}

// Twin is one NAME that claims two addresses in turn, as two devices of the same NAME do.
type Twin struct {
	Name      string
	Addresses []uint8
	Changes   int // moves within the last minute
	Since     event.Time
	Last      event.Time
}

// State says how present a device is.
type State string

// The states of a device.
const (
	Present     State = "present"
	Silent      State = "silent"      // has not spoken for longer than it ever should
	Gone        State = "gone"        // silent for so long that it counts as taken off
	NoAddress   State = "no-address"  // announced that it cannot claim an address
	Provisional State = "provisional" // traffic from an address that nobody claimed
)

// Role is what a device does aboard.
type Role string

// The roles, in the order in which reports list them.
const (
	RoleHead          Role = "head"
	RolePosition      Role = "position"
	RoleHeading       Role = "heading"
	RoleDepth         Role = "depth"
	RoleSonar         Role = "sonar"
	RoleRadar         Role = "radar"
	RoleWind          Role = "wind"
	RoleAIS           Role = "ais"
	RoleRadio         Role = "radio"
	RoleAutopilot     Role = "autopilot"
	RoleRudder        Role = "rudder"
	RoleEngine        Role = "engine"
	RoleTank          Role = "tank"
	RolePower         Role = "power"
	RoleEnvironment   Role = "environment"
	RoleDeck          Role = "deck"
	RoleEntertainment Role = "entertainment"
	RoleGateway       Role = "gateway"
	RoleTool          Role = "tool"
	RoleOther         Role = "other"
)

// Roles lists every role in report order.
func Roles() []Role {
	return []Role{RoleHead, RolePosition, RoleHeading, RoleDepth, RoleSonar, RoleRadar, RoleWind, RoleAIS, RoleRadio, RoleAutopilot,
		RoleRudder, RoleEngine, RoleTank, RolePower, RoleEnvironment, RoleDeck, RoleEntertainment, RoleGateway, RoleTool, RoleOther}
}

// Device is one device of the device list.
type Device struct {
	ID           string        `json:"id"` // NAME as 16 hex digits; "can0/35" for a provisional device
	Network      string        `json:"network"`
	Address      *uint8        `json:"address,omitempty"` // absent when it has none
	Addresses    []AddressUse  `json:"addresses,omitempty"`
	State        State         `json:"state"`
	Role         Role          `json:"role,omitempty"`
	Own          bool          `json:"own,omitempty"` // muster's own presence
	Name         *Name         `json:"name,omitempty"`
	Product      *Product      `json:"product,omitempty"`
	Installation *Installation `json:"installation,omitempty"`
	Transmits    []Transmit    `json:"transmits,omitempty"` // sorted by PGN, then instance
	Receives     []uint32      `json:"receives,omitempty"`  // PGNs it says it receives
	Declares     []uint32      `json:"declares,omitempty"`  // PGNs it says it transmits
	FirstSeen    event.Time    `json:"first_seen,omitzero"`
	LastSeen     event.Time    `json:"last_seen,omitzero"`
	Restarts     int           `json:"restarts,omitempty"`
	Software     []Software    `json:"software_history,omitempty"` // oldest first
	Unanswered   string        `json:"unanswered,omitempty"`       // why asking it for its identity was given up

	// Facts for the checks that the report does not carry.
	Talker       string       `json:"-"` // its letters where a talker is shown as a device, see Talker.Device
	StateSince   event.Time   `json:"-"`
	Renamed      bool         `json:"-"` // the unit came back under another NAME; this entry is only its past
	LastRestarts []event.Time `json:"-"` // up to eight, oldest first
	ClaimedAt    event.Time   `json:"-"`
}

// AddressUse is one source address that a device used.
type AddressUse struct {
	Address uint8      `json:"address"`
	Since   event.Time `json:"since,omitzero"`
}

// Coded is a number from a published list with its name, when the list has one.
type Coded struct {
	Code uint32 `json:"code"`
	Name string `json:"name,omitempty"`
}

// Name is the 64-bit NAME taken apart.
type Name struct {
	UniqueNumber     uint32 `json:"unique_number"`
	Manufacturer     Coded  `json:"manufacturer"`
	DeviceClass      Coded  `json:"device_class"`
	DeviceFunction   Coded  `json:"device_function"`
	DeviceInstance   uint8  `json:"device_instance"`
	SystemInstance   uint8  `json:"system_instance"`
	IndustryGroup    Coded  `json:"industry_group"`
	ArbitraryAddress bool   `json:"arbitrary_address"`
}

// Product is the product information (PGN 126996) that a device gave.
type Product struct {
	DatabaseVersion    *uint16 `json:"database_version,omitempty"` // thousandths: 2100 is edition 2.100
	Code               *uint16 `json:"code,omitempty"`
	Model              string  `json:"model,omitempty"`
	ModelVersion       string  `json:"model_version,omitempty"`
	Serial             string  `json:"serial,omitempty"`
	Software           string  `json:"software,omitempty"`
	CertificationLevel *uint8  `json:"certification_level,omitempty"`
	LoadEquivalency    *uint8  `json:"load_equivalency,omitempty"` // units of 50 mA
}

// Installation is the configuration information (PGN 126998) that a device gave.
type Installation struct {
	Description1            string `json:"description1,omitempty"`
	Description2            string `json:"description2,omitempty"`
	ManufacturerInformation string `json:"manufacturer_information,omitempty"`
}

// Transmit is one message that a device sends, split by data instance.
type Transmit struct {
	PGN       uint32    `json:"pgn"`
	Title     string    `json:"title,omitempty"`
	Instance  *uint8    `json:"instance,omitempty"` // the data instance inside the message, when it has one
	Selector  *uint8    `json:"selector,omitempty"` // what the instance is one of, where its number alone is not unique: fluid type, temperature source
	Count     uint64    `json:"count"`
	Interval  *Interval `json:"interval_ms,omitempty"` // needs two messages
	Nominal   float64   `json:"nominal_ms,omitempty"`  // the published interval
	Available *bool     `json:"available,omitempty"`   // whether any message of the last minute carried a value
	Measures  []string  `json:"measures,omitempty"`    // of a message of several quantities, which of them the last minute gave values of

	// Volts is the latest voltage of a battery or DC source, and VoltsAt when it was told; absent for other messages.
	Volts   *float64   `json:"volts,omitempty"`
	VoltsAt event.Time `json:"volts_at,omitzero"`

	// Facts for the checks that the report does not carry.
	First, Last event.Time    `json:"-"`
	EmptySince  event.Time    `json:"-"` // since when no value was available
	Recent      time.Duration `json:"-"` // smoothed interval of late, 0 when unknown
}

// Interval describes the spans between messages in milliseconds.
type Interval struct {
	Mean float64 `json:"mean"`
	Min  float64 `json:"min"`
	Max  float64 `json:"max"`
	SD   float64 `json:"sd"` // standard deviation
}

// Software is one software version that a device ran.
type Software struct {
	Version string     `json:"version"`
	Since   event.Time `json:"since,omitzero"`
}

// Talker is one NMEA 0183 talker on one line.
type Talker struct {
	Network   string          `json:"network"`
	Talker    string          `json:"talker"`
	Sentences []Sentence      `json:"sentences"`
	Identity  *TalkerIdentity `json:"identity,omitempty"`
	Heartbeat *Heartbeat      `json:"heartbeat,omitempty"`        // the latest HBT sentence
	Texts     []Text          `json:"texts,omitempty"`            // what TXT sentences told, up to eight, each text once, oldest first
	AIS       *AIS            `json:"ais,omitempty"`              // what its AIS sentences told
	Software  []Software      `json:"software_history,omitempty"` // of the unit that it told it is, oldest first

	Unanswered string `json:"unanswered,omitempty"` // why asking it for its identity was given up

	Last event.Time `json:"-"` // fact for the checks: when it was last heard
}

// AIS is what the AIS sentences of one talker told: its own vessel in full, others only counted.
type AIS struct {
	Own      *AISVessel `json:"own,omitempty"`      // told in VDO sentences
	Targets  int        `json:"targets,omitempty"`  // different MMSIs in VDM sentences since the start, told apart up to 1000
	Messages []AISCount `json:"messages,omitempty"` // of VDM sentences, by type
	Lost     uint64     `json:"lost,omitempty"`     // messages in several parts of which a part was missing
}

// AISVessel is the vessel that an AIS unit stands for.
type AISVessel struct {
	MMSI     uint32 `json:"mmsi"`             // 0 when none is set
	Static   bool   `json:"static,omitempty"` // it told static data: a name that is absent then is not set
	Name     string `json:"name,omitempty"`
	CallSign string `json:"call_sign,omitempty"`
	ShipType uint8  `json:"ship_type,omitempty"`
}

// AISCount counts the messages of one type.
type AISCount struct {
	Type  uint8  `json:"type"`
	Count uint64 `json:"count"`
}

// Heartbeat is what an HBT sentence told.
type Heartbeat struct {
	At          event.Time `json:"at,omitzero"`
	Normal      *bool      `json:"normal,omitempty"`     // whether the equipment says that it works
	IntervalSec float64    `json:"interval_s,omitempty"` // that it announced
	Lost        uint64     `json:"lost,omitempty"`       // numbers skipped in its sequence
}

// Text is what a TXT sentence told.
type Text struct {
	At   event.Time `json:"at,omitzero"` // when it was last told
	ID   string     `json:"id,omitempty"`
	Text string     `json:"text"`
}

// Sentence is one sentence type that a talker sends.
type Sentence struct {
	Formatter      string    `json:"formatter"`
	Count          uint64    `json:"count"`
	Interval       *Interval `json:"interval_ms,omitempty"`
	ChecksumErrors uint64    `json:"checksum_errors,omitempty"`
	Gives          []string  `json:"gives,omitempty"` // names of the Quantities of which the last minute gave values

	// Facts for the checks that the report does not carry.
	Last    event.Time    `json:"-"`
	Recent  time.Duration `json:"-"` // smoothed interval of late, 0 when unknown
	Nominal time.Duration `json:"-"` // usual interval of the type, 0 when there is none
	Latest  string        `json:"-"` // the sentence as last heard, for the pages; what goes beyond 160 bytes is cut
}

// TalkerIdentity is what a VER sentence told.
type TalkerIdentity struct {
	DeviceType string `json:"device_type,omitempty"`
	Vendor     string `json:"vendor,omitempty"`
	UniqueID   string `json:"unique_id,omitempty"`
	Serial     string `json:"serial,omitempty"`
	Model      string `json:"model,omitempty"`
	Software   string `json:"software,omitempty"`
	Hardware   string `json:"hardware,omitempty"`
}

// Manual is a device that the technician entered by hand because no network shows it.
type Manual struct {
	ID       string     `json:"id"`
	Role     Role       `json:"role,omitempty"`
	Maker    string     `json:"maker,omitempty"`
	Model    string     `json:"model,omitempty"`
	Serial   string     `json:"serial,omitempty"`
	Software string     `json:"software,omitempty"`
	Place    string     `json:"place,omitempty"`
	Note     string     `json:"note,omitempty"`
	By       string     `json:"by,omitempty"`
	At       event.Time `json:"at,omitzero"`
}

// Severity says how much a finding matters.
type Severity string

// The severities, mildest first.
const (
	Info     Severity = "info"
	Warning  Severity = "warning"
	Critical Severity = "critical"
)

// Rank orders severities: 1 info, 2 warning, 3 critical, 0 for anything else.
func (s Severity) Rank() int {
	switch s {
	case Info:
		return 1
	case Warning:
		return 2
	case Critical:
		return 3
	}
	return 0
}

// AlertState says where an alert stands.
type AlertState string

// The states of an alert.
const (
	AlertOpen         AlertState = "open"
	AlertAcknowledged AlertState = "acknowledged"
	AlertCleared      AlertState = "cleared"
)

// Alert is a finding that has lasted.
type Alert struct {
	ID             string         `json:"id,omitempty"` // the same for the same fault over time: check, a colon, what it is about
	Check          string         `json:"check"`
	Severity       Severity       `json:"severity"`
	State          AlertState     `json:"state"`
	Since          event.Time     `json:"since,omitzero"`
	Until          event.Time     `json:"until,omitzero"` // when it cleared
	Flapping       bool           `json:"flapping,omitempty"`
	AcknowledgedBy string         `json:"acknowledged_by,omitempty"`
	AcknowledgedAt event.Time     `json:"acknowledged_at,omitzero"`
	SilencedUntil  event.Time     `json:"silenced_until,omitzero"`
	Accepted       string         `json:"accepted,omitempty"` // why the owner lives with it, from the config: nobody is told
	Devices        []string       `json:"devices,omitempty"`
	Network        string         `json:"network,omitempty"`
	Summary        string         `json:"summary"`
	Evidence       map[string]any `json:"evidence,omitempty"`
	Remedy         string         `json:"remedy,omitempty"`
}
