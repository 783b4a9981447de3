package check

import (
	"math"
	"time"

	"muster/internal/boat"
)

// rollover is the span after which the week number of GPS begins again: 1024 weeks.
const rollover = 1024 * 7 * 24 * time.Hour

// leapOffset is how far GPS time is ahead of UTC since 2017 (lists of leap seconds).
const leapOffset = 18 * time.Second

// clockMismatch: satellite time of one source against that of the others, and against the computer's clock where times come from it.
func clockMismatch(p *Pass) {
	s := &p.Settings.ClockMismatch
	list := p.sources(boat.ClockOffset)
	if len(list) == 0 {
		p.NotJudged("", "sources", "no source sends satellite time", NeedTraffic)
		return
	}
	low, high := list[0], list[0]
	for _, x := range list {
		if x.Value < low.Value {
			low = x
		}
		if x.Value > high.Value {
			high = x
		}
	}
	if apart := seconds(high.Value - low.Value); apart > s.Sources {
		p.Find(Finding{
			Case: clockCause(apart), Subject: "sources", Devices: p.deviceIDs([]string{low.ID, high.ID}), Network: common([]*boat.Source{low, high}),
			Values:   Values{"apart": span(apart), "behind": p.sourceLabel(low.ID), "ahead": p.sourceLabel(high.ID)},
			Evidence: evidence("behind", low.ID, "ahead", high.ID, "difference_s", round(high.Value-low.Value)),
		})
		return // which of them the computer's clock could be compared with is not known
	}
	switch {
	case len(list) > 1:
		p.Clear("", "sources")
	case p.State.Clock != boat.ClockSystem:
		p.NotJudged("", "sources", "one source sends satellite time, and there is nothing to compare it with", NeedSources)
	}
	off := (low.Value + high.Value) / 2
	if p.State.Clock != boat.ClockSystem {
		return
	}
	if seconds(math.Abs(off)) <= s.System {
		p.Clear("", "system")
		return
	}
	name := "system"
	if cause := clockCause(seconds(math.Abs(off))); cause != "" {
		name += "-" + cause
	}
	way := "behind"
	if off < 0 {
		way = "ahead of"
	}
	p.Find(Finding{
		Case: name, Subject: "system", Devices: p.deviceIDs([]string{low.ID, high.ID}), Network: common(list),
		Values:   Values{"apart": span(seconds(math.Abs(off))), "way": way, "source": p.sourceLabel(high.ID)},
		Evidence: evidence("difference_s", round(off), "sources", len(list)),
	})
}

// clockCause names what commonly sets two clocks so far apart; "" when nothing does.
func clockCause(apart time.Duration) string {
	near := func(unit, tolerance time.Duration) bool {
		return apart >= unit-tolerance && (apart-apart.Round(unit)).Abs() <= tolerance
	}
	switch {
	case near(rollover, 24*time.Hour):
		return "weeks"
	case near(time.Hour, 5*time.Second) && apart <= 14*time.Hour+time.Minute: // zones reach from 12 h behind to 14 h ahead
		return "zone"
	case (apart - leapOffset).Abs() <= 700*time.Millisecond:
		return "leap"
	}
	return ""
}

// seconds makes a duration of s without running over.
func seconds(s float64) time.Duration {
	return time.Duration(min(s, math.MaxInt64/1e9) * 1e9)
}
