package check

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"muster/internal/boat"
)

// Common is what can be set for every check.
type Common struct {
	Off      bool           `yaml:"off,omitempty"`      // do not run the check
	Severity Severity       `yaml:"severity,omitempty"` // instead of the check's own
	Hold     *time.Duration `yaml:"hold,omitempty"`     // instead of the check's own
}

// Settings are the thresholds of all checks. Take DefaultSettings and change what should differ: the zero value is not usable.
type Settings struct {
	Every    time.Duration `yaml:"every"` // event time from one run of the checks to the next
	Recorded bool          `yaml:"-"`     // checks what a recording holds to its last moment; see alert.Book.Record

	AddressContested   AddressContestedSettings `yaml:"address-contested"`
	AddressShared      Common                   `yaml:"address-shared"`
	BadChecksum        PerMinuteSettings        `yaml:"bad-checksum"`
	BusErrors          BusErrorsSettings        `yaml:"bus-errors"`
	BusLoadHigh        BusLoadHighSettings      `yaml:"bus-load-high"`
	BusOff             Common                   `yaml:"bus-off"`
	ClockMismatch      ClockMismatchSettings    `yaml:"clock-mismatch"`
	Commanded          Common                   `yaml:"commanded"`
	DataLoop           DataLoopSettings         `yaml:"data-loop"`
	DuplicateName      Common                   `yaml:"duplicate-name"`
	EmptyData          EmptyDataSettings        `yaml:"empty-data"`
	EquipmentStatus    Common                   `yaml:"equipment-status"`
	ForeignDevice      Common                   `yaml:"foreign-device"`
	FramesDropped      PerMinuteSettings        `yaml:"frames-dropped"`
	GarbledLine        PerMinuteSettings        `yaml:"garbled-line"`
	IncompleteMessages PerMinuteSettings        `yaml:"incomplete-messages"`
	InstanceClash      Common                   `yaml:"instance-clash"`
	LineSaturated      LineSaturatedSettings    `yaml:"line-saturated"`
	LowVoltage         LowVoltageSettings       `yaml:"low-voltage"`
	MultipleSources    Common                   `yaml:"multiple-sources"`
	NoAddress          Common                   `yaml:"no-address"`
	NoHeartbeat        Common                   `yaml:"no-heartbeat"`
	NotIdentified      NotIdentifiedSettings    `yaml:"not-identified"`
	Restarted          RestartedSettings        `yaml:"restarted"`
	SameSerial         Common                   `yaml:"same-serial"`
	SentenceLate       SentenceLateSettings     `yaml:"sentence-late"`
	Silent             Common                   `yaml:"silent"`
	SlowData           SlowDataSettings         `yaml:"slow-data"`
	SoftwareDiffers    Common                   `yaml:"software-differs"`
	SourcesDisagree    SourcesDisagreeSettings  `yaml:"sources-disagree"`
	TooManyDevices     TooManyDevicesSettings   `yaml:"too-many-devices"`
	UnclaimedSource    Common                   `yaml:"unclaimed-source"`
	WrongBitRate       Common                   `yaml:"wrong-bit-rate"`

	// Checks that need release sheets, a layout of the backbone, a baseline or the store, and live with them.
	BackboneTooLong  Common `yaml:"backbone-too-long"`
	CompanionTooOld  Common `yaml:"companion-too-old"`
	DropCableTooLong Common `yaml:"drop-cable-too-long"`
	FeedsNotIsolated Common `yaml:"feeds-not-isolated"`
	LoadTooHigh      Common `yaml:"load-too-high"`
	Missing          Common `yaml:"missing"`
	NewDevice        Common `yaml:"new-device"`
	OrderUnknown     Common `yaml:"order-unknown"`
	Replaced         Common `yaml:"replaced"`
	SoftwareBehind   Common `yaml:"software-behind"`
	StoreFailing     Common `yaml:"store-failing"`
	TeeOverfull      Common `yaml:"tee-overfull"`
	Terminator       Common `yaml:"terminator"`
	VoltageDrop      Common `yaml:"voltage-drop"`
}

// elsewhere lists the checks that live in other packages, sorted.
var elsewhere = [...]string{"backbone-too-long", "companion-too-old", "drop-cable-too-long", "feeds-not-isolated", "load-too-high", "missing", "new-device",
	"order-unknown", "replaced", "software-behind", "store-failing", "tee-overfull", "terminator", "voltage-drop"}

// IDs lists the ids of all checks, those of other packages too, sorted.
func IDs() []string {
	ids := slices.Clone(elsewhere[:])
	for _, r := range All() {
		ids = append(ids, r.ID)
	}
	slices.Sort(ids)
	return ids
}

// more yields what is set for a rule of another package; a rule that is not known here has no settings.
func (s *Settings) more(id string) *Common {
	switch id {
	case "backbone-too-long":
		return &s.BackboneTooLong
	case "companion-too-old":
		return &s.CompanionTooOld
	case "drop-cable-too-long":
		return &s.DropCableTooLong
	case "feeds-not-isolated":
		return &s.FeedsNotIsolated
	case "load-too-high":
		return &s.LoadTooHigh
	case "missing":
		return &s.Missing
	case "new-device":
		return &s.NewDevice
	case "order-unknown":
		return &s.OrderUnknown
	case "replaced":
		return &s.Replaced
	case "software-behind":
		return &s.SoftwareBehind
	case "software-differs": // of a release family
		return &s.SoftwareDiffers
	case "store-failing":
		return &s.StoreFailing
	case "tee-overfull":
		return &s.TeeOverfull
	case "terminator":
		return &s.Terminator
	case "too-many-devices": // of a layout
		return &s.TooManyDevices.Common
	case "voltage-drop":
		return &s.VoltageDrop
	}
	return &Common{}
}

// AddressContestedSettings are the thresholds of address-contested.
type AddressContestedSettings struct {
	Common `yaml:",inline"`
	Claims int `yaml:"claims"` // changes of owner within a minute from which an address is contested
}

// PerMinuteSettings are the threshold of a check that counts faults of the last full minute.
type PerMinuteSettings struct {
	Common    `yaml:",inline"`
	PerMinute uint64 `yaml:"per_minute"` // faults within a minute from which it is a finding
}

// BusLoadHighSettings are the thresholds of bus-load-high, as shares of the bit rate from 0 to 1.
type BusLoadHighSettings struct {
	Common   `yaml:",inline"`
	Warning  float64 `yaml:"warning"`
	Critical float64 `yaml:"critical"`
}

// BusErrorsSettings are the thresholds of bus-errors, in error frames within a minute.
type BusErrorsSettings struct {
	Common   `yaml:",inline"`
	Warning  uint64 `yaml:"warning"`
	Critical uint64 `yaml:"critical"`
}

// EmptyDataSettings are the thresholds of empty-data.
type EmptyDataSettings struct {
	Common `yaml:",inline"`
	Count  uint64 `yaml:"count"` // messages needed for a judgement
}

// NotIdentifiedSettings are the thresholds of not-identified.
type NotIdentifiedSettings struct {
	Common `yaml:",inline"`
	After  time.Duration `yaml:"after"` // how long a device has to give its product information
}

// RestartedSettings are the thresholds of restarted.
type RestartedSettings struct {
	Common   `yaml:",inline"`
	Within   time.Duration `yaml:"within"`   // how long a restart is reported
	Often    int           `yaml:"often"`    // restarts within that time from which it is a warning
	Together time.Duration `yaml:"together"` // restarts of several devices this close together are one event of the whole backbone
}

// SlowDataSettings are the thresholds of slow-data.
type SlowDataSettings struct {
	Common `yaml:",inline"`
	Factor float64 `yaml:"factor"` // how many published intervals a message may take
	Count  uint64  `yaml:"count"`  // messages needed for a judgement
}

// TooManyDevicesSettings are the thresholds of too-many-devices.
type TooManyDevicesSettings struct {
	Common  `yaml:",inline"`
	Devices int `yaml:"devices"` // physical devices that one backbone may carry
}

// DefaultSettings are the thresholds as shipped. All are common practice without a source, except the 50 physical devices of one
// backbone, which the standard's public summaries give.
func DefaultSettings() Settings {
	return Settings{
		Every:              10 * time.Second,
		AddressContested:   AddressContestedSettings{Claims: 3},
		BadChecksum:        PerMinuteSettings{PerMinute: 3},
		BusErrors:          BusErrorsSettings{Warning: 1, Critical: 100},
		BusLoadHigh:        BusLoadHighSettings{Warning: 0.50, Critical: 0.75},
		ClockMismatch:      ClockMismatchSettings{Sources: 3 * time.Second, System: 3 * time.Second},
		DataLoop:           DataLoopSettings{Changes: 20},
		EmptyData:          EmptyDataSettings{Count: 20},
		FramesDropped:      PerMinuteSettings{PerMinute: 1},
		GarbledLine:        PerMinuteSettings{PerMinute: 3},
		IncompleteMessages: PerMinuteSettings{PerMinute: 3},
		LineSaturated:      LineSaturatedSettings{Warning: 0.80, Critical: 0.95},
		LowVoltage:         LowVoltageSettings{Warning: 11.5, Critical: 10.5},
		NotIdentified:      NotIdentifiedSettings{After: time.Minute},
		Restarted:          RestartedSettings{Within: time.Hour, Often: 3, Together: 15 * time.Second},
		SentenceLate:       SentenceLateSettings{Factor: 5, Count: 20},
		SlowData:           SlowDataSettings{Factor: 5, Count: 20},
		SourcesDisagree:    defaultTolerances(),
		TooManyDevices:     TooManyDevicesSettings{Devices: 50},
	}
}

// Validate reports every setting that makes no sense, each with its key.
func (s *Settings) Validate() error {
	var errs []error
	bad := func(isBad bool, format string, args ...any) {
		if isBad {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	bad(s.Every < time.Second, "every: %v is too short: give 1s or more", s.Every)
	bad(s.AddressContested.Claims < 1, "address-contested.claims: %d must be 1 or more", s.AddressContested.Claims)
	bad(s.BusLoadHigh.Warning <= 0 || s.BusLoadHigh.Warning > 1, "bus-load-high.warning: %v must be a share above 0 and up to 1, such as 0.5", s.BusLoadHigh.Warning)
	bad(s.BusLoadHigh.Critical < s.BusLoadHigh.Warning || s.BusLoadHigh.Critical > 1, "bus-load-high.critical: %v must be between bus-load-high.warning and 1", s.BusLoadHigh.Critical)
	bad(s.BusErrors.Critical < s.BusErrors.Warning, "bus-errors.critical: %d must not be below bus-errors.warning", s.BusErrors.Critical)
	bad(s.ClockMismatch.Sources <= 0 || s.ClockMismatch.System <= 0, "clock-mismatch: sources and system must be above 0")
	bad(s.DataLoop.Changes < 5 || s.DataLoop.Changes > 60, "data-loop.changes: %d must be between 5 and 60", s.DataLoop.Changes)
	bad(s.LineSaturated.Warning <= 0 || s.LineSaturated.Warning > 1, "line-saturated.warning: %v must be a share above 0 and up to 1, such as 0.8", s.LineSaturated.Warning)
	bad(s.LineSaturated.Critical < s.LineSaturated.Warning || s.LineSaturated.Critical > 1, "line-saturated.critical: %v must be between line-saturated.warning and 1", s.LineSaturated.Critical)
	bad(!(s.SentenceLate.Factor > 1), "sentence-late.factor: %v must be above 1", s.SentenceLate.Factor)
	bad(!(s.LowVoltage.Critical > 0) || !(s.LowVoltage.Warning >= s.LowVoltage.Critical), "low-voltage: warning %v must not be below critical %v, and both must be above 0", s.LowVoltage.Warning, s.LowVoltage.Critical)
	bad(s.LowVoltage.Nominal != 0 && !slices.Contains(nominals[:], s.LowVoltage.Nominal),
		"low-voltage.nominal: %g must be one of %s, or 0 to take it from the device or the voltage", s.LowVoltage.Nominal, nominalWords())
	for i, b := range s.LowVoltage.Banks {
		bad(b.Device == "" || !slices.Contains(nominals[:], b.Nominal),
			"low-voltage.banks[%d]: it needs device, the NAME or serial number of the monitor, and nominal, one of %s", i, nominalWords())
	}
	for _, m := range boat.Measures() {
		bad(!(s.SourcesDisagree.tolerance(m) >= 0), "sources-disagree: the tolerance of %s must be 0, to leave it out, or more", m)
	}
	bad(s.NotIdentified.After < 0, "not-identified.after: %v must not be negative", s.NotIdentified.After)
	bad(s.Restarted.Within <= 0, "restarted.within: %v must be above 0", s.Restarted.Within)
	bad(s.Restarted.Often < 1, "restarted.often: %d must be 1 or more", s.Restarted.Often)
	bad(!(s.SlowData.Factor > 1), "slow-data.factor: %v must be above 1", s.SlowData.Factor)
	bad(s.TooManyDevices.Devices < 1, "too-many-devices.devices: %d must be 1 or more", s.TooManyDevices.Devices)
	for _, p := range []struct {
		key string
		n   uint64
	}{
		{"bad-checksum.per_minute", s.BadChecksum.PerMinute}, {"incomplete-messages.per_minute", s.IncompleteMessages.PerMinute},
		{"bus-errors.warning", s.BusErrors.Warning}, {"frames-dropped.per_minute", s.FramesDropped.PerMinute},
		{"garbled-line.per_minute", s.GarbledLine.PerMinute},
	} {
		bad(p.n == 0, "%s: 0 would fire without a fault: give 1 or more", p.key)
	}
	both := func(id string, c *Common) {
		bad(c.Severity != "" && c.Severity.Rank() == 0, "%s.severity: %q is not one of info, warning, critical", id, c.Severity)
		bad(c.Hold != nil && *c.Hold < 0, "%s.hold: must not be negative", id)
	}
	for i := range rules {
		both(rules[i].ID, rules[i].common(s))
	}
	for _, id := range elsewhere {
		both(id, s.more(id))
	}
	return errors.Join(errs...)
}
