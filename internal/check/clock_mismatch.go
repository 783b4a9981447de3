package check

import (
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
		word := ""
		if weeks := math.Round(float64(apart) / float64(rollover)); weeks >= 1 && math.Abs(float64(apart)-weeks*float64(rollover)) < float64(24*time.Hour) {
			word = "weeks"
		}
		p.Find(Finding{
			Case: word, Subject: "sources", Devices: p.deviceIDs([]string{low.ID, high.ID}), Network: common([]*boat.Source{low, high}),
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
	way := "behind"
	if off < 0 {
		way = "ahead of"
	}
	p.Find(Finding{
		Case: "system", Subject: "system", Devices: p.deviceIDs([]string{low.ID, high.ID}), Network: common(list),
		Values:   Values{"apart": span(seconds(math.Abs(off))), "way": way, "source": p.sourceLabel(high.ID)},
		Evidence: evidence("difference_s", round(off), "sources", len(list)),
	})
}

// seconds makes a duration of s without running over.
func seconds(s float64) time.Duration {
	return time.Duration(min(s, math.MaxInt64/1e9) * 1e9)
}
