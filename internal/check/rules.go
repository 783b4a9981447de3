package check

import (
	"time"
)

// rules is the table of checks, sorted by id. Read-only.
var rules = [...]Rule{
	{"address-contested", Warning, 10 * time.Second, 10 * time.Second, addressContested, func(s *Settings) *Common { return &s.AddressContested.Common }},
	{"address-shared", Warning, 10 * time.Second, 10 * time.Second, addressShared, func(s *Settings) *Common { return &s.AddressShared }},
	{"bad-checksum", Warning, time.Minute, 0, badChecksum, func(s *Settings) *Common { return &s.BadChecksum.Common }},
	{"bus-errors", Warning, 10 * time.Second, 10 * time.Second, busErrors, func(s *Settings) *Common { return &s.BusErrors.Common }},
	{"bus-load-high", Warning, time.Minute, 10 * time.Second, busLoadHigh, func(s *Settings) *Common { return &s.BusLoadHigh.Common }},
	{"bus-off", Critical, 0, 10 * time.Second, busOff, func(s *Settings) *Common { return &s.BusOff }},
	{"clock-mismatch", Warning, time.Minute, 10 * time.Second, clockMismatch, func(s *Settings) *Common { return &s.ClockMismatch.Common }},
	{"commanded", Info, 0, 10 * time.Second, commanded, func(s *Settings) *Common { return &s.Commanded }},
	{"data-loop", Warning, time.Minute, 10 * time.Second, dataLoop, func(s *Settings) *Common { return &s.DataLoop.Common }},
	{"duplicate-name", Critical, 10 * time.Second, 10 * time.Second, duplicateName, func(s *Settings) *Common { return &s.DuplicateName }},
	{"empty-data", Warning, 2 * time.Minute, 0, emptyData, func(s *Settings) *Common { return &s.EmptyData.Common }},
	{"equipment-status", Info, 2 * time.Minute, 0, equipmentStatus, func(s *Settings) *Common { return &s.EquipmentStatus }},
	{"foreign-device", Info, time.Minute, 10 * time.Second, foreignDevice, func(s *Settings) *Common { return &s.ForeignDevice }},
	{"frames-dropped", Warning, 0, 10 * time.Second, framesDropped, func(s *Settings) *Common { return &s.FramesDropped.Common }},
	{"garbled-line", Warning, time.Minute, 0, garbledLine, func(s *Settings) *Common { return &s.GarbledLine.Common }},
	{"incomplete-messages", Warning, time.Minute, 0, incompleteMessages, func(s *Settings) *Common { return &s.IncompleteMessages.Common }},
	{"instance-clash", Warning, 0, 10 * time.Second, instanceClash, func(s *Settings) *Common { return &s.InstanceClash }},
	{"line-saturated", Warning, time.Minute, 10 * time.Second, lineSaturated, func(s *Settings) *Common { return &s.LineSaturated.Common }},
	{"low-voltage", Warning, time.Minute, 0, lowVoltage, func(s *Settings) *Common { return &s.LowVoltage.Common }},
	{"multiple-sources", Info, 0, 10 * time.Second, multipleSources, func(s *Settings) *Common { return &s.MultipleSources }},
	{"no-address", Critical, 10 * time.Second, 10 * time.Second, noAddress, func(s *Settings) *Common { return &s.NoAddress }},
	{"no-heartbeat", Info, 0, 0, noHeartbeat, func(s *Settings) *Common { return &s.NoHeartbeat }},
	{"not-identified", Info, 0, 0, notIdentified, func(s *Settings) *Common { return &s.NotIdentified.Common }},
	{"restarted", Info, 0, 30 * time.Second, restarted, func(s *Settings) *Common { return &s.Restarted.Common }},
	{"same-serial", Info, 10 * time.Second, 10 * time.Second, sameSerial, func(s *Settings) *Common { return &s.SameSerial }},
	{"sentence-late", Warning, 30 * time.Second, 0, sentenceLate, func(s *Settings) *Common { return &s.SentenceLate.Common }},
	{"silent", Warning, 2 * time.Minute, 20 * time.Second, silent, func(s *Settings) *Common { return &s.Silent }},
	{"slow-data", Warning, 30 * time.Second, 0, slowData, func(s *Settings) *Common { return &s.SlowData.Common }},
	{"software-differs", Warning, 0, 0, softwareDiffers, func(s *Settings) *Common { return &s.SoftwareDiffers }},
	{"sources-disagree", Warning, 30 * time.Second, 10 * time.Second, sourcesDisagree, func(s *Settings) *Common { return &s.SourcesDisagree.Common }},
	{"too-many-devices", Warning, 0, 10 * time.Second, tooManyDevices, func(s *Settings) *Common { return &s.TooManyDevices.Common }},
	{"unclaimed-source", Info, time.Minute, 10 * time.Second, unclaimedSource, func(s *Settings) *Common { return &s.UnclaimedSource }},
	{"wrong-bit-rate", Critical, 0, 0, wrongBitRate, func(s *Settings) *Common { return &s.WrongBitRate }},
}
