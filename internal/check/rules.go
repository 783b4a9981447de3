package check

import (
	"time"

	"muster/internal/boat"
)

// rules is the table of checks, sorted by id. Read-only.
var rules = [...]Rule{
	{"address-contested", boat.Warning, 10 * time.Second, "Two or more devices keep taking one source address from each other.",
		addressContested, func(s *Settings) *Common { return &s.AddressContested.Common }},
	{"bad-checksum", boat.Warning, time.Minute, "Sentences on an NMEA 0183 line arrive with a wrong checksum.",
		badChecksum, func(s *Settings) *Common { return &s.BadChecksum.Common }},
	{"broken-sequences", boat.Warning, time.Minute, "Messages of several frames keep losing a part on the way.",
		brokenSequences, func(s *Settings) *Common { return &s.BrokenSequences.Common }},
	{"bus-busy", boat.Warning, time.Minute, "The backbone carries more traffic than leaves room for every message in time.",
		busBusy, func(s *Settings) *Common { return &s.BusBusy.Common }},
	{"bus-errors", boat.Warning, 10 * time.Second, "The CAN controller reports errors on the backbone.",
		busErrors, func(s *Settings) *Common { return &s.BusErrors.Common }},
	{"bus-off", boat.Critical, 0, "The CAN controller has taken itself off the backbone after too many errors.",
		busOff, func(s *Settings) *Common { return &s.BusOff }},
	{"empty-data", boat.Warning, 2 * time.Minute, "A device sends a message for a long time without any value in it.",
		emptyData, func(s *Settings) *Common { return &s.EmptyData.Common }},
	{"frames-dropped", boat.Warning, 0, "Frames were lost between the backbone and muster, so other figures are too low.",
		framesDropped, func(s *Settings) *Common { return &s.FramesDropped.Common }},
	{"garbled-line", boat.Warning, time.Minute, "Lines on an NMEA 0183 port are not sentences.",
		garbledLine, func(s *Settings) *Common { return &s.GarbledLine.Common }},
	{"instance-clash", boat.Warning, 0, "Two devices use the same instance, so that their data or their settings cannot be told apart.",
		instanceClash, func(s *Settings) *Common { return &s.InstanceClash }},
	{"many-sources", boat.Info, 0, "Several devices send the same quantity, so each head must be told which to use.",
		manySources, func(s *Settings) *Common { return &s.ManySources }},
	{"no-address", boat.Critical, 10 * time.Second, "A device announced that it cannot claim a source address and stays mute.",
		noAddress, func(s *Settings) *Common { return &s.NoAddress }},
	{"not-identified", boat.Info, 0, "A device has not given its product information.",
		notIdentified, func(s *Settings) *Common { return &s.NotIdentified.Common }},
	{"restarted", boat.Info, 0, "A device, or the whole backbone, has restarted of late.",
		restarted, func(s *Settings) *Common { return &s.Restarted.Common }},
	{"same-name", boat.Critical, 10 * time.Second, "Two devices claim with the same NAME, which must be unique.",
		sameName, func(s *Settings) *Common { return &s.SameName }},
	{"silent", boat.Warning, 2 * time.Minute, "A device, or the whole backbone, has stopped speaking.",
		silent, func(s *Settings) *Common { return &s.Silent }},
	{"slow-data", boat.Warning, 30 * time.Second, "A message comes much more rarely than its published interval.",
		slowData, func(s *Settings) *Common { return &s.SlowData.Common }},
	{"software-differs", boat.Warning, 0, "Units of one model run different software.",
		softwareDiffers, func(s *Settings) *Common { return &s.SoftwareDiffers }},
	{"too-many-devices", boat.Warning, 0, "The backbone carries more devices than it may.",
		tooManyDevices, func(s *Settings) *Common { return &s.TooManyDevices.Common }},
	{"unclaimed-source", boat.Info, time.Minute, "Frames come from a source address that nobody was heard to claim.",
		unclaimedSource, func(s *Settings) *Common { return &s.UnclaimedSource }},
	{"wrong-bit-rate", boat.Critical, 0, "The CAN interface does not run at the 250 kbit/s of NMEA 2000.",
		wrongBitRate, func(s *Settings) *Common { return &s.WrongBitRate }},
}
