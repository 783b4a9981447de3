package check

import (
	"cmp"
	"fmt"
	"math"
	"slices"
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
	d := p.compare(boat.ClockOffset, s.Sources.Seconds(), list)
	if d.apart > 0 {
		p.reportClocks(list, &d)
		return // which of them the computer's clock could be compared with is not known
	}
	switch {
	case d.agreed > 0:
		p.Clear("", "sources")
	case d.short > 0:
		p.Short("", "sources", "the sources of satellite time have too few values at common moments", d.short)
	case p.State.Clock != boat.ClockSystem:
		p.NotJudged("", "sources", "one source sends satellite time, and there is nothing to compare it with", NeedSources)
	}
	if p.State.Clock != boat.ClockSystem {
		return
	}
	low, high := lowestOf(list), highestOf(list)
	off := (middle(low) + middle(high)) / 2
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

// reportClocks reports the two sources that are furthest apart, and which of three or more is the wrong one.
func (p *Pass) reportClocks(list []*boat.Source, d *disagreement) {
	behind, ahead := d.worst.a, d.worst.b
	if middle(behind) > middle(ahead) {
		behind, ahead = ahead, behind
	}
	apart := seconds(d.worst.Offset)
	proof := evidence("behind", behind.ID, "ahead", ahead.ID, "difference_s", round(d.worst.Offset))
	also := ""
	if odd, sure := d.odd(); odd >= 0 {
		also = fmt.Sprintf("; only %s differs from all others (sure at %s %% of the moments)", p.sourceLabel(list[odd].ID), percent(sure))
		proof["odd"], proof["sure"] = list[odd].ID, round(sure)
	}
	p.Find(Finding{
		Case: clockCause(apart), Subject: "sources", Devices: p.deviceIDs([]string{behind.ID, ahead.ID}), Network: common([]*boat.Source{behind, ahead}),
		Values:   Values{"apart": span(apart), "behind": p.sourceLabel(behind.ID), "ahead": p.sourceLabel(ahead.ID), "odd": also},
		Evidence: proof,
	})
}

func lowestOf(list []*boat.Source) *boat.Source {
	return slices.MinFunc(list, func(a, b *boat.Source) int { return cmp.Compare(middle(a), middle(b)) })
}

func highestOf(list []*boat.Source) *boat.Source {
	return slices.MaxFunc(list, func(a, b *boat.Source) int { return cmp.Compare(middle(a), middle(b)) })
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
