package snapshot

import (
	"time"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/report"
)

// baselineHold is how long a difference from the baseline must last: after a start it takes a while until every device has
// claimed its NAME (common practice, no source).
const baselineHold = 5 * time.Minute

// Rules are the checks that compare the boat with a baseline, sorted by id; nil, for no baseline, gives none. They pair
// devices as Compare does, so that a changed instance or address is neither a missing device nor a new one.
func Rules(base *Snapshot) []check.Rule {
	if base == nil {
		return nil
	}
	return []check.Rule{
		{ID: "missing", Severity: check.Warning, Hold: baselineHold, Check: func(p *check.Pass) { missing(p, base) }},
		{ID: "new-device", Severity: check.Info, Hold: baselineHold, Check: func(p *check.Pass) { newDevice(p, base) }},
		{ID: "replaced", Severity: check.Info, Hold: baselineHold, Check: func(p *check.Pass) { exchanged(p, base) }},
	}
}

func baseEvidence(base *Snapshot) map[string]any {
	e := map[string]any{}
	if t := base.TakenAt(); t != 0 {
		e["baseline"] = t.String()
	}
	return e
}

// matched pairs the devices of the baseline with those of now, for all the rules of a pass.
func matched(p *check.Pass, base *Snapshot) (pairs []Pair, gone, added []*report.Device) {
	type result struct {
		pairs       []Pair
		gone, added []*report.Device
	}
	r := check.Once(p, base, func() (r result) {
		r.pairs, r.gone, r.added = match(base.Report, report.Of(p))
		return r
	})
	return r.pairs, r.gone, r.added
}

func missing(p *check.Pass, base *Snapshot) {
	_, gone, _ := matched(p, base)
	if !p.Settled("", "") {
		return
	}
	unsure := false
	for _, d := range gone {
		switch {
		case d.Own || d.State == boat.Provisional:
			continue
		case !heard(report.Of(p), d.Network):
			p.NotJudged(d.Network, d.ID, "nothing is received on "+d.Network, check.NeedTraffic)
			unsure = true
			continue
		case mayBe(report.Of(p), d):
			unsure = true
			continue
		}
		e := baseEvidence(base)
		if d.Address != nil {
			e["address"] = *d.Address
		}
		if d.LastSeen != 0 {
			e["last_seen_then"] = d.LastSeen.String()
		}
		p.Find(check.Finding{Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Evidence: e, Values: check.Values{"device": d.Label()}})
		unsure = true
	}
	if !unsure {
		p.Clear("", "")
	}
}

// heard reports whether there is traffic on the network: without any, nothing is known of its devices.
func heard(r *report.Report, network string) bool {
	for i := range r.Networks {
		if n := &r.Networks[i]; n.ID == network {
			return !n.Silent()
		}
	}
	return false
}

// mayBe reports whether the device may be there after all: it is listed as silent, which is a finding of its own, or a device
// that has not claimed a NAME sends from its address.
func mayBe(r *report.Report, d *report.Device) bool {
	if u := r.Unit(d.ID); u != nil && u.State != "" {
		return true
	}
	for i := range r.Devices {
		o := &r.Devices[i]
		if o.Network == d.Network && o.State == boat.Provisional && o.Address != nil && d.Address != nil && *o.Address == *d.Address {
			return true
		}
	}
	return false
}

func newDevice(p *check.Pass, base *Snapshot) {
	_, _, added := matched(p, base)
	if !p.Settled("", "") {
		return
	}
	found := false
	for _, d := range added {
		if d.Own || d.State != boat.Present || !known(base.Report, d.Network) {
			continue
		}
		e := baseEvidence(base)
		if d.FirstSeen != 0 {
			e["first_seen"] = d.FirstSeen.String()
		}
		p.Find(check.Finding{Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Since: d.FirstSeen, Evidence: e,
			Values: check.Values{"device": d.Label()}})
		found = true
	}
	if !found {
		p.Clear("", "")
	}
}

func known(r *report.Report, network string) bool {
	for i := range r.Networks {
		if r.Networks[i].ID == network {
			return true
		}
	}
	return false
}

func exchanged(p *check.Pass, base *Snapshot) {
	pairs, _, _ := matched(p, base)
	if !p.Settled("", "") {
		return
	}
	found := false
	for _, pair := range pairs {
		b, a := pair.Before, pair.After
		if a.Own || a.State != boat.Present || !pair.replaced() {
			continue
		}
		e := baseEvidence(base)
		e["before"] = b.ID
		if b.Product != nil && b.Product.Serial != "" {
			e["serial_before"] = b.Product.Serial
		}
		if a.Product != nil && a.Product.Serial != "" {
			e["serial"] = a.Product.Serial
		}
		p.Find(check.Finding{Subject: a.ID, Devices: []string{a.ID}, Network: a.Network, Evidence: e, Values: check.Values{"device": a.Label()}})
		found = true
	}
	if !found {
		p.Clear("", "")
	}
}
