// Package hub keeps what the boats of a fleet have reported.
package hub

import (
	"context"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/fleet"
	"muster/internal/release"
	"muster/internal/report"
)

// Verdict is one word on a boat.
type Verdict string

// The verdicts, best first.
const (
	OK     Verdict = "ok"     // no open alert above info
	Watch  Verdict = "watch"  // a warning is open
	Visit  Verdict = "visit"  // a critical alert is open
	Silent Verdict = "silent" // nothing received for longer than the fleet allows
	Never  Verdict = "never"  // enrolled and never heard
)

// Boat is what the fleet's pages show of one boat. It is shared and read-only: a change makes a new one.
type Boat struct {
	ID        string     `json:"id"`
	Name      string     `json:"name,omitempty"`
	Marina    string     `json:"marina,omitempty"`
	Enrolled  time.Time  `json:"enrolled,omitzero"`
	Revoked   time.Time  `json:"revoked,omitzero"`
	Why       string     `json:"why,omitempty"`       // why it was revoked, where that is known
	LastHeard time.Time  `json:"last_heard,omitzero"` // by the hub's clock, when the latest message arrived
	MadeAt    time.Time  `json:"made_at,omitzero"`    // by the boat's clock, when its latest report was made
	Clock     boat.Clock `json:"clock,omitempty"`     // how good that clock was
	Version   string     `json:"version,omitempty"`   // of muster aboard
	Metrics   string     `json:"metrics,omitempty"`   // URL where the boat computer can be scraped
	Boards    []Board    `json:"boards,omitempty"`    // latest first; more than one that send in turn are a fault
	Turns     int        `json:"turns,omitempty"`     // times that a boat computer sent again after another had
	Report    uint64     `json:"report,omitempty"`    // number of its latest report in the stream
	Devices   []Device   `json:"devices,omitempty"`   // of its latest report
	Left      []Device   `json:"left,omitempty"`      // that were aboard earlier, and those that were replaced; latest first
	Alerts    []Alert    `json:"alerts,omitempty"`    // open ones, worst first
	Refused   uint64     `json:"refused,omitempty"`
	Revision  uint64     `json:"revision"` // of the fleet's state when this boat last changed
}

// Verdict is the state of the boat. silence is how long a boat may send nothing.
func (b *Boat) Verdict(now time.Time, silence time.Duration) Verdict {
	switch {
	case b.LastHeard.IsZero():
		return Never
	case now.Sub(b.LastHeard) > silence:
		return Silent
	case len(b.Alerts) == 0:
		return OK
	}
	switch b.Alerts[0].Severity { // worst first
	case check.Critical:
		return Visit
	case check.Warning:
		return Watch
	}
	return OK
}

// Board is one store aboard that sends for the boat.
type Board struct {
	ID    string    `json:"id"`
	Seq   uint64    `json:"seq"` // number of its latest message
	First time.Time `json:"first"`
	Last  time.Time `json:"last"`
}

// Device is what can be searched for, of one device of one boat.
type Device struct {
	ID               string           `json:"id"`
	Network          string           `json:"network,omitempty"`
	Role             string           `json:"role,omitempty"`
	Manufacturer     string           `json:"manufacturer,omitempty"`
	Code             *uint16          `json:"code,omitempty"`              // product code
	ManufacturerCode *uint32          `json:"manufacturer_code,omitempty"` // manufacturer code of its NAME
	Model            string           `json:"model,omitempty"`
	Serial           string           `json:"serial,omitempty"`
	Software         string           `json:"software,omitempty"`
	State            boat.DeviceState `json:"state,omitempty"`
	ByHand           bool             `json:"by_hand,omitempty"`

	Since      time.Time `json:"since,omitzero"`        // when the hub received the first report of it from this boat
	Until      time.Time `json:"until,omitzero"`        // when the last that had it aboard; absent while it is
	Earlier    []Ran     `json:"earlier,omitempty"`     // software before the one of today, oldest first
	ReplacedBy string    `json:"replaced_by,omitempty"` // id of the unit that took its place
	Now        string    `json:"now,omitempty"`         // the boat that reports it since, while this one was not heard
}

// Aboard reports whether the unit is aboard by what is known; an entry by hand may be of anything.
func (d *Device) Aboard() bool { return !d.ByHand && d.here() && d.Now == "" }

// Aboard is how many units are aboard; none of a boat that was revoked.
func (b *Boat) Aboard() (n int) {
	for i := range b.Devices {
		if d := &b.Devices[i]; d.Aboard() && b.Away(d) == "" {
			n++
		}
	}
	return n
}

// Alert is one open alert of one boat.
type Alert struct {
	ID       string         `json:"id,omitempty"`
	Check    string         `json:"check"`
	Severity check.Severity `json:"severity"`
	State    string         `json:"state,omitempty"`
	Since    time.Time      `json:"since,omitzero"`
	Summary  string         `json:"summary"`
	Remedy   string         `json:"remedy,omitempty"`
}

// current gives an alert that an earlier version made the ids of today.
func (a *Alert) current() { a.ID, a.Check = alert.CurrentID(a.ID), check.ID(a.Check) }

// Query is which devices to find. With Version or Below only those that count are found. Empty fields match everything; texts are matched anywhere, without regard to case.
type Query struct {
	Text         string // in any of manufacturer, model, serial, software, role, boat id and boat name
	Boat         string
	Manufacturer string
	Model        string
	Serial       string
	Role         string
	Version      string // exactly this software
	Below        string // older than this, by the order that the sheets give; devices without an order are counted apart
	Limit        int    // 0 for all
}

// Hit is one device that a query found.
type Hit struct {
	Boat    string  `json:"boat"`
	Name    string  `json:"name,omitempty"`
	Device  *Device `json:"device"`
	Unknown string  `json:"unknown,omitempty"` // why the order to Below is not known; such hits come after the others
	Away    Away    `json:"away,omitempty"`    // why the unit counts nowhere; such hits come last
}

// Past is one earlier report of a boat.
type Past struct {
	Stream   uint64    `json:"stream"` // its number in the stream: Report reads it
	Received time.Time `json:"received"`
	Kind     string    `json:"kind"`
	Bytes    int       `json:"bytes"`
}

// Refusal is a message that was set apart.
type Refusal struct {
	Boat    string    `json:"boat,omitempty"`
	Subject string    `json:"subject"`
	At      time.Time `json:"at"`
	Reason  string    `json:"reason"`
	Bytes   int       `json:"bytes"`
}

// Stats are what a hub counts since it started.
type Stats struct {
	Messages  map[fleet.Kind]uint64 // taken in by this process
	Refused   uint64
	Repeated  uint64 // came a second time
	Late      uint64 // older than what was known of the boat
	Failures  uint64 // could not be stored, and will be tried again
	Pending   uint64 // in the stream and not yet taken in by any process
	Connected bool
}

// Fleet is what the pages, the API and the metrics read.
type Fleet interface {
	Boats() []*Boat           // sorted by id; shared and read-only
	Boat(id string) *Boat     // nil when it is not known
	Revision() uint64         // grows with every change
	Changed() <-chan struct{} // closed at the next change

	Search(q Query) ([]Hit, error)
	Unit(boat, id string) *Unit                                                     // nil when it is not known
	Report(ctx context.Context, boat string, stream uint64) (*report.Report, error) // 0 for the latest
	Document(ctx context.Context, boat string, stream uint64) (*fleet.Envelope, fleet.Kind, error)
	History(ctx context.Context, boat string, limit int) ([]Past, error) // latest first
	Refusals(ctx context.Context, limit int) ([]Refusal, error)          // latest first
	Stats() Stats
	Ready() error
}

// Counts are the devices of one campaign by their state.
type Counts struct {
	Behind  int `json:"behind"`
	Current int `json:"current"`
	Unknown int `json:"unknown"`
}

// Add counts one unit.
func (c *Counts) Add(s release.Standing) {
	switch s {
	case release.StandingBehind:
		c.Behind++
	case release.StandingCurrent, release.StandingAhead:
		c.Current++
	default:
		c.Unknown++
	}
}

// Day is the state of the campaigns at the end of one day.
type Day struct {
	Day       string            `json:"day"` // YYYY-MM-DD in UTC
	Campaigns map[string]Counts `json:"campaigns"`
}

// Daybook keeps the progress of campaigns on each day.
type Daybook interface {
	Put(ctx context.Context, day string, campaigns map[string]Counts) error
	Days(ctx context.Context) ([]Day, error) // oldest first
}
