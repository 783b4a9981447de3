package boat

import (
	"math"
	"slices"
	"time"

	"muster/internal/event"
)

// The values in this file are shared by the State and by what is written of it: none holds more than it is written with.

// Identity names the boat.
type Identity struct {
	ID   string `json:"id,omitempty"`
	Name string `json:"name,omitempty"`
}

// Clock is where the report's times come from.
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
	by, stated := w.From.Sub(earlier.From), w.MovedMS-earlier.MovedMS
	if stated == 0 || math.Abs(by.Seconds()*1e3-stated) > 1 {
		return 0
	}
	return by
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
	LostMessages    uint64 `json:"lost_messages,omitempty"`    // multi-frame messages that never came, by their sequence counters
	TransportErrors uint64 `json:"transport_errors,omitempty"` // ISO transport sessions aborted or timed out
	AssembliesShed  uint64 `json:"assemblies_shed,omitempty"`  // unfinished messages given up to bound memory
	StandardFrames  uint64 `json:"standard_frames,omitempty"`  // 11-bit identifiers
	RemoteFrames    uint64 `json:"remote_frames,omitempty"`
	OversizeFrames  uint64 `json:"oversize_frames,omitempty"`  // CAN FD and longer than 8 bytes
	InvalidMessages uint64 `json:"invalid_messages,omitempty"` // management messages that cannot be read
	DamagedRecords  uint64 `json:"damaged_records,omitempty"`  // capture lines or records that could not be read
	TimeJumps       uint64 `json:"time_jumps,omitempty"`       // stamps that went back
	Untracked       uint64 `json:"untracked,omitempty"`        // devices or messages beyond the memory bound
	Displaced       uint64 `json:"displaced,omitempty"`        // devices given up for others, to keep the memory bound
	SourceLost      uint64 `json:"source_lost,omitempty"`      // times the adapter or connection went away
	ChecksumErrors  uint64 `json:"checksum_errors,omitempty"`  // NMEA 0183
	GarbledLines    uint64 `json:"garbled_lines,omitempty"`    // NMEA 0183
	UncheckedLines  uint64 `json:"unchecked_lines,omitempty"`  // NMEA 0183 without a checksum
}

// DeviceState is how present a device is.
type DeviceState string

// The states of a device.
const (
	Present     DeviceState = "present"
	Silent      DeviceState = "silent"      // has not sent for longer than it ever should
	Gone        DeviceState = "gone"        // silent for so long that it counts as taken off
	NoAddress   DeviceState = "no-address"  // announced that it cannot claim an address
	Provisional DeviceState = "provisional" // traffic from an address without a claim
)

// Role is what a device does aboard.
type Role string

// The roles, in the order in which reports list them.
const (
	RoleDisplay       Role = "display"
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
	RoleSwitching     Role = "switching" // switch banks, load controllers, buttons
	RoleLighting      Role = "lighting"
	RoleThruster      Role = "thruster"
	RoleTrim          Role = "trim" // trim tabs, interceptors, stabilisers
	RoleDeck          Role = "deck"
	RoleEntertainment Role = "entertainment"
	RoleGateway       Role = "gateway"
	RoleTool          Role = "tool"
	RoleOther         Role = "other"
)

// ParseRole gives the role of that name. "head" is the old name of display.
func ParseRole(name string) (r Role, ok bool) {
	if name == "head" {
		return RoleDisplay, true
	}
	return Role(name), slices.Contains(Roles(), Role(name))
}

// UnmarshalText implements encoding.TextUnmarshaler. Snapshots, notes and messages of earlier versions say "head" for display.
func (r *Role) UnmarshalText(text []byte) error {
	*r, _ = ParseRole(string(text))
	return nil
}

// Roles lists every role in report order.
func Roles() []Role {
	return []Role{RoleDisplay, RolePosition, RoleHeading, RoleDepth, RoleSonar, RoleRadar, RoleWind, RoleAIS, RoleRadio, RoleAutopilot,
		RoleRudder, RoleEngine, RoleTank, RolePower, RoleEnvironment, RoleSwitching, RoleLighting,
		RoleThruster, RoleTrim, RoleDeck, RoleEntertainment, RoleGateway, RoleTool, RoleOther}
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

// LastKnown is the product that a device or talker reported before this window. It is no report of what is aboard now.
type LastKnown struct {
	Product *Product   `json:"product"`
	At      event.Time `json:"at,omitzero"` // when it was last received before
}

// Installation is the configuration information (PGN 126998) that a device gave.
type Installation struct {
	Description1            string `json:"description1,omitempty"`
	Description2            string `json:"description2,omitempty"`
	ManufacturerInformation string `json:"manufacturer_information,omitempty"`
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

// AIS is the content of the AIS sentences of one talker: its own vessel in full, others only counted.
type AIS struct {
	Own      *AISVessel `json:"own,omitempty"`      // from VDO sentences
	Targets  int        `json:"targets,omitempty"`  // different MMSIs in VDM since the start, up to 1000
	Messages []AISCount `json:"messages,omitempty"` // of VDM sentences, by type
	Lost     uint64     `json:"lost,omitempty"`     // messages in several parts of which a part was missing
}

// AISVessel is the vessel that an AIS unit represents.
type AISVessel struct {
	MMSI     uint32 `json:"mmsi"`             // 0 when none is set
	Static   bool   `json:"static,omitempty"` // it sent static data: a name that is absent then is not set
	Name     string `json:"name,omitempty"`
	CallSign string `json:"call_sign,omitempty"`
	ShipType uint8  `json:"ship_type,omitempty"`
}

// AISCount counts the messages of one type.
type AISCount struct {
	Type  uint8  `json:"type"`
	Count uint64 `json:"count"`
}

// Heartbeat is the content of an HBT sentence.
type Heartbeat struct {
	At          event.Time `json:"at,omitzero"`
	Normal      *bool      `json:"normal,omitempty"`     // whether the equipment reports that it works
	IntervalSec float64    `json:"interval_s,omitempty"` // that it announced
	Lost        uint64     `json:"lost,omitempty"`       // numbers skipped in its sequence
}

// Text is the content of a TXT sentence.
type Text struct {
	At   event.Time `json:"at,omitzero"` // when it was last sent
	ID   string     `json:"id,omitempty"`
	Text string     `json:"text"`
}

// TalkerIdentity is the content of a VER sentence.
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
	ID           string     `json:"id"`
	Role         Role       `json:"role,omitempty"`
	Manufacturer string     `json:"manufacturer,omitempty"`
	Maker        string     `json:"maker,omitempty" yaml:"-"` // the manufacturer in reports of version 1
	Model        string     `json:"model,omitempty"`
	Serial       string     `json:"serial,omitempty"`
	Software     string     `json:"software,omitempty"`
	Place        string     `json:"place,omitempty"`
	Note         string     `json:"note,omitempty"`
	By           string     `json:"by,omitempty"`
	At           event.Time `json:"at,omitzero"`
}
