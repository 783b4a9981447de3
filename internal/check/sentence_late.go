package check

import (
	"fmt"
	"time"

	"muster/internal/event"
)

// sentenceLate: sentences that come much slower than usual or have stopped while the line is still in use; one finding a talker.
func sentenceLate(p *Pass) {
	s := &p.Settings.SentenceLate
	p.networks(event.NMEA0183)
	for i := range p.State.Talkers {
		t := &p.State.Talkers[i]
		if !p.lineInUse(t.Network) {
			p.NotJudged(t.Network, t.ID(), "nothing was received on the line recently", NeedTraffic)
			continue
		}
		var words []string
		detail := map[string]any{}
		inTime, wait := false, time.Duration(0)
		for j := range t.Sentences {
			x := &t.Sentences[j]
			late := p.Now.Sub(x.Last)
			switch {
			case x.Last.IsZero():
				continue
			case x.Count < s.Count || x.Recent <= 0:
				wait = shorter(wait, until(time.Duration(x.Count)*x.Recent, x.Count, s.Count))
				continue
			case late > max(time.Duration(s.Factor*float64(x.Recent)), talks):
				words = append(words, fmt.Sprintf("%s last %s ago, usually every %s", x.Formatter, span(late), span(x.Recent)))
			case x.Nominal > 0 && float64(x.Recent) > s.Factor*float64(x.Nominal):
				words = append(words, fmt.Sprintf("%s every %s instead of %s", x.Formatter, span(x.Recent), span(x.Nominal)))
			default:
				inTime = true
				continue
			}
			detail[x.Formatter] = map[string]any{"interval_ms": x.Recent.Milliseconds(), "since_last_ms": late.Milliseconds(), "count": x.Count}
		}
		switch {
		case len(words) > 0:
		case inTime:
			p.Clear(t.Network, t.ID())
			continue
		case wait > 0:
			p.Short(t.Network, t.ID(), fmt.Sprintf("%s sent each sentence fewer than %d times", t.Label(), s.Count), wait)
			continue
		default:
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
		if t := &p.State.Talkers[i]; t.Network == network && p.Now.Sub(t.Last) <= talks {
			return true
		}
	}
	return false
}

// talks is how old the last sentence of a talker may be for it to count as talking.
const talks = 10 * time.Second
