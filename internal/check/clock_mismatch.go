package check

import (
	"fmt"
	"math"
	"time"

	"muster/internal/boat"
)

// rollover is the span after which the week number of GPS begins again: 1024 weeks.
const rollover = 1024 * 7 * 24 * time.Hour

// clockMismatch: satellite time of one source against that of the others, and against the computer's clock where times come from it.
func clockMismatch(p *Pass) {
	s := &p.Settings.ClockMismatch
	list := p.sources(boat.ClockOffset)
	if len(list) == 0 {
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
		remedy := "See which of them agrees with a clock that you trust, and restart the other with a free view of the sky. Until then take it off as a source of time and position."
		if weeks := math.Round(float64(apart) / float64(rollover)); weeks >= 1 && math.Abs(float64(apart)-weeks*float64(rollover)) < float64(24*time.Hour) {
			remedy = "The difference is 1024 weeks: a receiver whose software does not know the week number's rollover. Update or replace it; its position may still be right."
		}
		p.Find(Finding{
			Subject: "sources", Devices: p.deviceIDs([]string{low.ID, high.ID}), Network: common([]*boat.Source{low, high}),
			Summary:  fmt.Sprintf("Satellite time differs by %s: %s is behind %s", span(apart), p.sourceLabel(low.ID), p.sourceLabel(high.ID)),
			Evidence: evidence("behind", low.ID, "ahead", high.ID, "difference_s", round(high.Value-low.Value)),
			Remedy:   remedy,
		})
		return // whose time to hold the computer's clock against is not known
	}
	off := (low.Value + high.Value) / 2
	if p.State.Clock != boat.ClockSystem || seconds(math.Abs(off)) <= s.System {
		return
	}
	way := "behind"
	if off < 0 {
		way = "ahead of"
	}
	p.Find(Finding{
		Subject: "system", Devices: p.deviceIDs([]string{low.ID, high.ID}), Network: common(list),
		Summary:  fmt.Sprintf("This computer's clock is %s %s satellite time from %s", span(seconds(math.Abs(off))), way, p.sourceLabel(high.ID)),
		Evidence: evidence("difference_s", round(off), "sources", len(list)),
		Remedy:   "Let the computer take its time from the network or from the satellite receiver: the times in this report and of every alert follow its clock.",
	})
}

// seconds makes a duration of s without running over.
func seconds(s float64) time.Duration {
	return time.Duration(min(s, math.MaxInt64/1e9) * 1e9)
}
