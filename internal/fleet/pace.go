package fleet

import (
	"hash/maphash"
	"strconv"
	"time"

	"muster/internal/report"
)

// Times of reporting.
const (
	quietFor     = 10 * time.Second // a change is reported when nothing else has changed for so long
	reportWithin = time.Minute      // or at the latest so long after it
	burst        = 10               // reports on change in a row; then three to an interval
)

// pace decides when a report is due. Its clock is one that is never set.
type pace struct {
	every          time.Duration
	known          bool // a report was made
	sent           uint64
	seen           uint64
	changed, first time.Duration // when seen last became what it is, and when it first differed from sent
	last           time.Duration // latest report
	tokens         float64
	filled         time.Duration
}

func newPace(every time.Duration) *pace { return &pace{every: every, tokens: burst} }

// due takes the digest of the report as it is now, and returns the class of a report that is due, or 0.
func (p *pace) due(now time.Duration, digest uint64) class {
	p.tokens = min(burst, p.tokens+3*float64(now-p.filled)/float64(p.every))
	p.filled = now
	if digest != p.seen {
		if p.seen == p.sent {
			p.first = now
		}
		p.seen, p.changed = digest, now
	}
	differs := !p.known || p.seen != p.sent
	switch {
	case differs && p.tokens >= 1 && (now-p.changed >= quietFor || now-p.first >= reportWithin):
		p.tokens--
		return classChange
	case p.known && now-p.last >= p.every:
		return classInterval
	}
	return 0
}

// made notes that a report was queued.
func (p *pace) made(now time.Duration) {
	p.known, p.sent, p.last = true, p.seen, now
}

// pending reports whether a change is not sent yet.
func (p *pace) pending() bool { return p.known && p.seen != p.sent }

var seed = maphash.MakeSeed()

// digest digests what counts as a change of a report: what devices are and run and whether they send, and the alerts.
// Counters, intervals, addresses and times do not.
func digest(r *report.Report) uint64 {
	var h maphash.Hash
	h.SetSeed(seed)
	put := func(texts ...string) {
		for _, t := range texts {
			_, _ = h.WriteString(t)
			_ = h.WriteByte(0)
		}
	}
	number := func(n *uint16) {
		if n != nil {
			_, _ = h.Write([]byte{1, byte(*n), byte(*n >> 8)})
		}
		_ = h.WriteByte(0)
	}
	put(r.Boat.ID, r.Boat.Name)
	for i := range r.Networks {
		n := &r.Networks[i]
		put("network", n.ID, string(n.Kind), n.State)
	}
	for i := range r.Devices {
		d := &r.Devices[i]
		put("device", d.Network, d.ID, string(d.State), string(d.Role), d.Unanswered)
		if p := d.Product; p != nil {
			put(p.Model, p.ModelVersion, p.Serial, p.Software)
			number(p.Code)
			number(p.DatabaseVersion)
		}
		if in := d.Installation; in != nil {
			put(in.Description1, in.Description2, in.ManufacturerInformation)
		}
		if n := len(d.Software); n > 0 {
			put(d.Software[n-1].Version)
		}
	}
	for i := range r.Units {
		u := &r.Units[i]
		put("unit", u.ID, strconv.FormatBool(u.Aboard), strconv.Itoa(len(u.Presences)))
	}
	for i := range r.Talkers {
		t := &r.Talkers[i]
		put("talker", t.Network, t.Talker, t.Unanswered)
		if id := t.Identity; id != nil {
			put(id.DeviceType, id.Vendor, id.UniqueID, id.Serial, id.Model, id.Software, id.Hardware)
		}
	}
	for i := range r.Manual {
		m := &r.Manual[i]
		put("manual", m.ID, string(m.Role), m.Manufacturer, m.Model, m.Serial, m.Software, m.Place, m.Note, m.By)
	}
	for i := range r.Alerts {
		a := &r.Alerts[i]
		put("alert", a.ID, a.Check, string(a.Severity), string(a.State), a.AcknowledgedBy)
		if !a.SilencedUntil.IsZero() {
			put("silenced")
		}
	}
	return h.Sum64()
}
