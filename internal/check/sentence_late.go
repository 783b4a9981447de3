package check

import (
	"fmt"
	"time"
)

// sentenceLate: sentences that come much slower than usual or have stopped while the line is still in use; one finding a talker.
func sentenceLate(p *Pass) {
	s := &p.Settings.SentenceLate
	for i := range p.State.Talkers {
		t := &p.State.Talkers[i]
		if !p.lineInUse(t.Network) {
			continue
		}
		var words []string
		detail := map[string]any{}
		for j := range t.Sentences {
			x := &t.Sentences[j]
			if x.Count < s.Count || x.Recent <= 0 || x.Last.IsZero() {
				continue
			}
			late := p.Now.Sub(x.Last)
			switch {
			case late > max(time.Duration(s.Factor*float64(x.Recent)), fresh):
				words = append(words, fmt.Sprintf("%s last %s ago, usually every %s", x.Formatter, span(late), span(x.Recent)))
			case x.Nominal > 0 && float64(x.Recent) > s.Factor*float64(x.Nominal):
				words = append(words, fmt.Sprintf("%s every %s instead of %s", x.Formatter, span(x.Recent), span(x.Nominal)))
			default:
				continue
			}
			detail[x.Formatter] = map[string]any{"interval_ms": x.Recent.Milliseconds(), "since_last_ms": late.Milliseconds(), "count": x.Count}
		}
		if len(words) == 0 {
			continue
		}
		p.Find(Finding{
			Subject: t.ID(), Network: t.Network,
			Values:   Values{"talker": t.Label(), "sentences": enumerate(words)},
			Evidence: evidence("sentences", detail, "factor", s.Factor),
		})
	}
}

// lineInUse reports whether anything was received on the line just now; a line without any traffic is not late.
func (p *Pass) lineInUse(network string) bool {
	for i := range p.State.Networks {
		if n := &p.State.Networks[i]; n.ID == network && !n.DownSince.IsZero() {
			return false
		}
	}
	for i := range p.State.Talkers {
		if t := &p.State.Talkers[i]; t.Network == network && p.Now.Sub(t.Last) <= fresh {
			return true
		}
	}
	return false
}
