package check

import (
	"fmt"
	"time"

	"muster/internal/boat"
)

// slowData: messages that are much slower than published; one finding a device. Messages without a published interval are
// sent on request or on an event, and one that stopped is not slow.
func slowData(p *Pass) {
	s := &p.Settings.SlowData
	for _, d := range p.others(speaking) {
		var words []string
		detail := map[string]any{}
		var slowest *boat.Transmit
		worst := 0.0
		inTime, wait := false, time.Duration(0)
		for i := range d.Transmits {
			t := &d.Transmits[i]
			actual, doubt := pace(t)
			nominal := time.Duration(t.Nominal * float64(time.Millisecond))
			switch {
			case nominal <= 0 || !p.sending(t):
				continue
			case t.Count < s.Count && (t.Count < 3 || t.First.IsZero() || p.Now.Sub(t.First) < time.Duration(s.Count)*nominal):
				// fewer suffice when more were due
				wait = shorter(wait, until(t.Last.Sub(t.First), t.Count, s.Count))
				continue
			case float64(actual-doubt) <= s.Factor*float64(nominal):
				inTime = true
				continue
			}
			words = append(words, fmt.Sprintf("%s every %s instead of %s", title(t), span(actual), span(nominal)))
			if share := float64(actual) / t.Nominal; share > worst {
				slowest, worst = t, share
			}
			detail[messageKey(t)] = map[string]any{"interval_ms": round(float64(actual) / 1e6), "nominal_ms": t.Nominal, "count": t.Count}
		}
		switch {
		case len(words) > 0:
		case inTime:
			p.Clear(d.Network, d.ID)
			continue
		case wait > 0:
			p.Short(d.Network, d.ID, fmt.Sprintf("%s sent each message fewer than %d times", label(d), s.Count), wait)
			continue
		default:
			continue
		}
		proof := evidence("messages", detail, "factor", s.Factor)
		if len(slowest.Waits.Steps) > 1 {
			proof[SeriesKey] = against(title(slowest), "s", &slowest.Waits, "published interval", slowest.Nominal/1000)
		}
		p.Find(Finding{
			Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Evidence: proof,
			Values: Values{"device": label(d), "messages": enumerate(words)},
		})
	}
}

// pace is how often a message comes, and what that may be off: the median of its latest intervals, which neither one outage nor
// an uneven sender makes a slow one; of a message that was in time so far, its smoothed interval.
func pace(t *boat.Transmit) (every, doubt time.Duration) {
	const enough = 10
	if len(t.Waits.Steps) >= enough {
		x, _ := t.Waits.Middle()
		return time.Duration(x.Value * 1e9), time.Duration(t.Waits.Doubt() * 1e9)
	}
	if t.Recent == 0 && t.Interval != nil {
		return time.Duration(t.Interval.Mean * float64(time.Millisecond)), 0
	}
	return t.Recent, 0
}

// shorter is the shorter of two spans, of which 0 is none.
func shorter(a, b time.Duration) time.Duration {
	if a == 0 {
		return b
	}
	return min(a, b)
}

// title names a message: "Water Depth", "PGN 130816", with its instance when it has one.
func title(t *boat.Transmit) string {
	s := t.Title
	if s == "" {
		s = fmt.Sprintf("PGN %d", t.PGN)
	}
	if t.Instance != nil {
		s += fmt.Sprintf(" instance %d", *t.Instance)
	}
	if t.Selector != nil {
		s += fmt.Sprintf(" (%s)", selectorName(t.PGN, *t.Selector))
	}
	return s
}

// messageKey is "128267", "127508/1" with the instance, or "127505/0:1" with the selector too.
func messageKey(t *boat.Transmit) string {
	s := fmt.Sprint(t.PGN)
	if t.Instance != nil {
		s += fmt.Sprintf("/%d", *t.Instance)
	}
	if t.Selector != nil {
		s += fmt.Sprintf(":%d", *t.Selector)
	}
	return s
}
