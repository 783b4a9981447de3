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
		for i := range d.Transmits {
			t := &d.Transmits[i]
			actual := t.Recent
			if actual == 0 && t.Interval != nil {
				actual = time.Duration(t.Interval.Mean * float64(time.Millisecond))
			}
			nominal := time.Duration(t.Nominal * float64(time.Millisecond))
			if nominal <= 0 || t.Count < s.Count || !p.sending(t) || float64(actual) <= s.Factor*float64(nominal) {
				continue
			}
			words = append(words, fmt.Sprintf("%s every %s instead of %s", title(t), span(actual), span(nominal)))
			detail[messageKey(t)] = map[string]any{"interval_ms": round(float64(actual) / 1e6), "nominal_ms": t.Nominal, "count": t.Count}
		}
		if len(words) == 0 {
			continue
		}
		p.Find(Finding{
			Subject: d.ID, Devices: []string{d.ID}, Network: d.Network,
			Values:   Values{"device": label(d), "messages": enumerate(words)},
			Evidence: evidence("messages", detail, "factor", s.Factor),
		})
	}
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
