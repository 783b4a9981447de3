package check

import (
	"time"
)

// rules is the table of checks, sorted by id. Read-only.
var rules = [...]Rule{
	{"address-contested", Warning, 10 * time.Second, addressContested, func(s *Settings) *Common { return &s.AddressContested.Common }},
	{"bad-checksum", Warning, time.Minute, badChecksum, func(s *Settings) *Common { return &s.BadChecksum.Common }},
	{"bus-errors", Warning, 10 * time.Second, busErrors, func(s *Settings) *Common { return &s.BusErrors.Common }},
	{"bus-load-high", Warning, time.Minute, busLoadHigh, func(s *Settings) *Common { return &s.BusLoadHigh.Common }},
	{"bus-off", Critical, 0, busOff, func(s *Settings) *Common { return &s.BusOff }},
	{"clock-mismatch", Warning, time.Minute, clockMismatch, func(s *Settings) *Common { return &s.ClockMismatch.Common }},
	{"data-loop", Warning, time.Minute, dataLoop, func(s *Settings) *Common { return &s.DataLoop.Common }},
	{"duplicate-name", Critical, 10 * time.Second, duplicateName, func(s *Settings) *Common { return &s.DuplicateName }},
	{"empty-data", Warning, 2 * time.Minute, emptyData, func(s *Settings) *Common { return &s.EmptyData.Common }},
	{"frames-dropped", Warning, 0, framesDropped, func(s *Settings) *Common { return &s.FramesDropped.Common }},
	{"garbled-line", Warning, time.Minute, garbledLine, func(s *Settings) *Common { return &s.GarbledLine.Common }},
	{"incomplete-messages", Warning, time.Minute, incompleteMessages, func(s *Settings) *Common { return &s.IncompleteMessages.Common }},
	{"instance-clash", Warning, 0, instanceClash, func(s *Settings) *Common { return &s.InstanceClash }},
	{"line-saturated", Warning, time.Minute, lineSaturated, func(s *Settings) *Common { return &s.LineSaturated.Common }},
	{"low-voltage", Warning, time.Minute, lowVoltage, func(s *Settings) *Common { return &s.LowVoltage.Common }},
	{"multiple-sources", Info, 0, multipleSources, func(s *Settings) *Common { return &s.MultipleSources }},
	{"no-address", Critical, 10 * time.Second, noAddress, func(s *Settings) *Common { return &s.NoAddress }},
	{"not-identified", Info, 0, notIdentified, func(s *Settings) *Common { return &s.NotIdentified.Common }},
	{"restarted", Info, 0, restarted, func(s *Settings) *Common { return &s.Restarted.Common }},
	{"sentence-late", Warning, 30 * time.Second, sentenceLate, func(s *Settings) *Common { return &s.SentenceLate.Common }},
	{"silent", Warning, 2 * time.Minute, silent, func(s *Settings) *Common { return &s.Silent }},
	{"slow-data", Warning, 30 * time.Second, slowData, func(s *Settings) *Common { return &s.SlowData.Common }},
	{"software-differs", Warning, 0, softwareDiffers, func(s *Settings) *Common { return &s.SoftwareDiffers }},
	{"sources-disagree", Warning, 30 * time.Second, sourcesDisagree, func(s *Settings) *Common { return &s.SourcesDisagree.Common }},
	{"too-many-devices", Warning, 0, tooManyDevices, func(s *Settings) *Common { return &s.TooManyDevices.Common }},
	{"unclaimed-source", Info, time.Minute, unclaimedSource, func(s *Settings) *Common { return &s.UnclaimedSource }},
	{"wrong-bit-rate", Critical, 0, wrongBitRate, func(s *Settings) *Common { return &s.WrongBitRate }},
}
