package boat

import (
	"time"

	"muster/internal/event"
	"muster/internal/quantity"
)

// State is what is known of one boat at one moment: all that checks and outputs within the process go by. It has no written form: what
// leaves the process is a report made of it, and no State is made of a report again. It shares nothing with the Boat it came from.
// What is not known is nil, empty or zero.
type State struct {
	Boat     Identity
	TakenAt  event.Time // event time of the last thing fed
	Clock    Clock
	Window   Window
	Networks []Network
	Devices  []Device // every NAME of every network, sorted by network, then NAME
	Talkers  []Talker
	Manual   []Manual

	Decisions []Decision // by hand, of which presences are one unit
	Units     []Unit     // the boxes that devices, talkers and entries by hand are presences of
	Unmet     []Past     // of devices that did not come back and whose units did not either, as it is now
	Sources   []Source   // by measure, network and id
	Echoes    []Echo     // by measure, From and To
}

// Network is one NMEA 2000 backbone or NMEA 0183 line.
type Network struct {
	ID         string
	Kind       event.NetworkKind
	BitRate    uint32 // bit/s or baud
	ListenOnly bool
	Commands   []RemoteSetting // settings that devices changed on others, the latest, oldest first
	From       string          // the capture that it is from, where several are read at once
	Timing     event.Timing
	State      string // CAN controller state: active, warning, passive, bus-off, stopped; or down
	Frames     uint64 // data frames, or lines on NMEA 0183
	Load       *Load
	Faults     Faults

	Start       event.Time  // since when something was received; zero for traffic without time stamps
	LoadRecent  float64     // load over the last full minute, or since the start while there is none, 0..1
	RecentFrom  event.Time  // start of the interval that the Recent counters cover
	Recent      Faults      // faults of the last full minute, or since the start while there is none, or of all traffic without time stamps
	LoadLatest  float64     // load since that minute; 0 while that is shorter than leastLoad
	Latest      Faults      // faults since that minute
	FaultSince  FaultTimes  // when faults of the present run of faults began
	Line        LineState   // of an NMEA 0183 line
	Contests    []Contest   // addresses that two NAMEs claimed
	Duplicates  []Duplicate // NAMEs that claim from two places at once
	DownSince   event.Time
	BusOffSince event.Time
	Back, Ahead time.Duration // the largest jumps of the stamps, back and ahead
}

// LineState is what the bytes of an NMEA 0183 line show of the line.
type LineState struct {
	Condition  string // good, noisy, wrong-baud, swapped-wires or other-protocol; "" after too few bytes
	LikelyBaud uint32 // of the talker when the rate in use is wrong; 0 when it is unknown
}

// FaultTimes are since when the present run of each fault lasts (no run ends before a minute without the fault).
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

// Duplicate is one NAME that claims two addresses in turn, as two devices of the same NAME do.
type Duplicate struct {
	Name      string
	Addresses []uint8
	Changes   int // moves within the last minute
	Since     event.Time
	Last      event.Time
}

// Device is one device of the device list.
type Device struct {
	ID           string // NAME as 16 hex digits; "can0/35" for a provisional device
	Network      string
	Address      *uint8 // nil when it has none
	Addresses    []AddressUse
	State        DeviceState
	Role         Role
	Own          bool // muster's own presence
	Name         *Name
	Product      *Product
	Installation *Installation
	Transmits    []Transmit // sorted by PGN, then instance
	Receives     []uint32   // PGNs that it declares as received
	Declares     []uint32   // PGNs that it declares as transmitted
	FirstSeen    event.Time
	LastSeen     event.Time
	Restarts     int
	Heartbeat    *Beat      // nil when it sent none
	Load         float64    // share of the bit rate that its messages take on the average while they come, 0..1
	Software     []Software // oldest first
	Unanswered   string     // why asking it for its identity was given up
	Sharing      *Sharing   // that a second device sends from its address; nil when nothing shows one
	Counts       bool       // it counts some of its messages, so that a second sender would show
	Lost         *uint8     // the address that it claimed, another one has, and it did not give up; nil for none
	LostMessages uint64     // multi-frame messages that never came from its address, by their sequence counters

	StateSince   event.Time
	Left         bool            // its unit sends under another NAME since, or was replaced; this entry is only the past
	Heard        []Span          // when it sent, in this window; the latest, oldest first
	EverHeard    []Span          // the same with what was recorded before; nil for Heard
	Earlier      *Past           // what was recorded of it before this window, nil for nothing; never changed
	Before       []Box           // other boxes that sent under this NAME
	Known        *LastKnown      // what it was before this window, while it reported no product in it; nil for nothing
	Commands     []RemoteSetting // settings that others changed on it, in this window and before it; the latest, oldest first
	Unit         string          // id of the unit that it is a presence of; UnitSince is since when the unit is known by it
	UnitSince    event.Time
	LastRestarts []event.Time // up to eight, oldest first
	ClaimedAt    event.Time

	Unmet   bool // it is only what was recorded of it
	Awaited bool // and it may still show that it is on
}

// Transmit is one message that a device sends, split by data instance.
type Transmit struct {
	PGN       uint32
	Title     string
	Instance  *uint8 // the data instance inside the message, when it has one
	Selector  *uint8 // what the instance is one of, where its number alone is not unique: fluid type, temperature source
	Count     uint64
	Interval  *Interval // needs two messages
	Nominal   float64   // the published interval
	Available *bool     // whether any message of the last minute carried a value
	Measures  []string  // of a message of several quantities, which of them the last minute gave values of

	// Volts is the latest voltage of a battery or DC source, and VoltsAt when it was sent; nil for other messages.
	Volts   *float64
	VoltsAt event.Time

	Voltage quantity.Trace // what Volts was lately

	NominalVolts float64        // of a battery, by its configuration message; 0 when not given
	Chemistry    *uint8         // of a battery, by the same; nil when not given
	Waits        quantity.Trace // intervals in s, since the message comes more slowly than published

	Load        float64 // share of the bit rate that it takes on the average, 0 when it has stopped
	First, Last event.Time
	EmptySince  event.Time    // since when no value was available
	Recent      time.Duration // smoothed recent interval, 0 when unknown
}

// Talker is one NMEA 0183 talker on one line.
type Talker struct {
	Network   string
	Talker    string
	Sentences []Sentence
	Identity  *TalkerIdentity
	Heartbeat *Heartbeat // the latest HBT sentence
	Texts     []Text     // of TXT sentences, up to eight, each text once, oldest first
	AIS       *AIS       // from its AIS sentences
	Software  []Software // of the unit that it reported to be, oldest first

	Unanswered  string     // why asking it for its identity was given up
	First, Last event.Time // when it was received
	Since       event.Time // when it was first received, as recorded before this window; unset when nothing was
	Heard       []Span     // when it was received, in this window and before it; the latest, oldest first
	Earlier     *Past      // what was recorded of it before this window, nil for nothing; never changed
	Unit        string     // id of the unit that it is a presence of
}

// Sentence is one sentence type that a talker sends.
type Sentence struct {
	Formatter      string
	Count          uint64
	Interval       *Interval
	ChecksumErrors uint64
	Gives          []string // names of the Quantities of which the last minute gave values

	Last    event.Time
	Recent  time.Duration // smoothed recent interval, 0 when unknown
	Nominal time.Duration // usual interval of the type, 0 when there is none
	Latest  string        // the sentence as last received, for the pages; cut at 160 bytes
}
