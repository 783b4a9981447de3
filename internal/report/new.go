package report

import (
	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
)

// New makes the report of a boat. It shares what it holds with the state and the alerts, which never change from then
// on.
func New(s *boat.State, alerts []alert.Alert) *Report {
	r := &Report{
		Schema: V2, Boat: s.Boat, TakenAt: s.TakenAt, Clock: s.Clock, Window: s.Window,
		Networks: make([]Network, len(s.Networks)), Devices: make([]Device, len(s.Devices)), Talkers: make([]Talker, len(s.Talkers)),
		Manual: append([]boat.Manual{}, s.Manual...), Decisions: s.Decisions, Alerts: append([]alert.Alert{}, alerts...),
	}
	for i := range s.Networks {
		n := &s.Networks[i]
		r.Networks[i] = Network{ID: n.ID, Source: n.From, Kind: n.Kind, BitRate: n.BitRate, ListenOnly: n.ListenOnly, State: n.State, Frames: n.Frames,
			Load: n.Load, Faults: n.Faults, Live: n}
		if t := n.Timing; t.SamplePoint != 0 {
			r.Networks[i].SamplePoint, r.Networks[i].RestartMS = float64(t.SamplePoint)/1000, &t.RestartMS
		}
	}
	for i := range s.Devices {
		r.Devices[i] = device(&s.Devices[i])
	}
	for i := range s.Talkers {
		r.Talkers[i] = talker(&s.Talkers[i])
	}
	r.takeUnits(s.Units, func(d boat.Device) Device { return device(&d) })
	return r
}

func device(d *boat.Device) Device {
	r := Device{
		ID: d.ID, Network: d.Network, Address: d.Address, Addresses: d.Addresses, State: d.State, Role: d.Role, Own: d.Own,
		Name: d.Name, Product: d.Product, LastKnown: d.Known, Installation: d.Installation, Receives: d.Receives, Declares: d.Declares,
		FirstSeen: d.FirstSeen, LastSeen: d.LastSeen, Restarts: d.Restarts, Load: d.Load,
		Software: d.Software, Unanswered: d.Unanswered, Left: d.Left, Unit: d.Unit, Live: d,
	}
	if len(d.Transmits) > 0 {
		r.Transmits = make([]Transmit, len(d.Transmits))
	}
	for i := range d.Transmits {
		t := &d.Transmits[i]
		r.Transmits[i] = Transmit{PGN: t.PGN, Title: t.Title, Instance: t.Instance, Selector: t.Selector, Count: t.Count, Interval: t.Interval,
			Nominal: t.Nominal, Available: t.Available, Measures: t.Measures, Load: t.Load, Volts: t.Volts, VoltsAt: t.VoltsAt, Live: t}
	}
	return r
}

func talker(t *boat.Talker) Talker {
	r := Talker{Network: t.Network, Talker: t.Talker, Identity: t.Identity, Heartbeat: t.Heartbeat, Texts: t.Texts, AIS: t.AIS,
		Software: t.Software, Unanswered: t.Unanswered, Unit: t.Unit, Live: t}
	for i := range t.Sentences {
		x := &t.Sentences[i]
		r.Sentences = append(r.Sentences, Sentence{Formatter: x.Formatter, Count: x.Count, Interval: x.Interval,
			ChecksumErrors: x.ChecksumErrors, Gives: x.Gives, Live: x})
	}
	return r
}

// Of is the report of the state that a pass checks, for rules that need no more than that. It is made once a pass.
func Of(p *check.Pass) *Report {
	type made struct{}
	return check.Once(p, made{}, func() *Report { return New(p.State, nil) })
}
