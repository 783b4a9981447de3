package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/internal/tap"
)

// demoBoat is one boat of the demo fleet and what happened on it in the last year.
type demoBoat struct {
	name, marina string
	units        int           // of the simulated boat, from the first
	updated      time.Duration // how long ago both displays were updated; 0 for not yet
	half         bool          // only the display at the helm was
	trouble      string        // instance: two monitors clash; voltage: it is too low; search: a fault is being located
	unheard      time.Duration // how long ago it was last heard, for a boat that is not heard
	visited      bool          // last week
	live         bool          // its daemon runs in this process
}

const (
	day  = 24 * time.Hour
	week = 7 * day
)

// demoBoats are thirty boats in three marinas. Half of their displays are updated.
var demoBoats = []demoBoat{
	{name: "Wagtail", marina: "Tern Quay", units: 15, half: true, updated: 5 * week, live: true},
	{name: "Sandpiper", marina: "Ebbmouth", units: 15, updated: 3 * week, live: true, trouble: "search"},
	{name: "Avocet", marina: "Tern Quay", units: 14, updated: 12 * week},
	{name: "Bittern", marina: "Tern Quay", units: 10, updated: 11 * week},
	{name: "Brambling", marina: "Tern Quay", units: 8},
	{name: "Bunting", marina: "Tern Quay", units: 12, updated: 9 * week},
	{name: "Chough", marina: "Tern Quay", units: 14, trouble: "instance"},
	{name: "Corncrake", marina: "Tern Quay", units: 9, updated: 8 * week},
	{name: "Crossbill", marina: "Tern Quay", units: 11, unheard: 3 * day},
	{name: "Dotterel", marina: "Tern Quay", units: 13, updated: 6 * day, visited: true},
	{name: "Dunlin", marina: "Ebbmouth", units: 12, updated: 10 * week},
	{name: "Fieldfare", marina: "Ebbmouth", units: 7},
	{name: "Firecrest", marina: "Ebbmouth", units: 14, updated: 7 * week, trouble: "voltage"},
	{name: "Fulmar", marina: "Ebbmouth", units: 10},
	{name: "Garganey", marina: "Ebbmouth", units: 9, updated: 5 * day, visited: true},
	{name: "Godwit", marina: "Ebbmouth", units: 13, updated: 6 * week},
	{name: "Goldcrest", marina: "Ebbmouth", units: 8},
	{name: "Greenshank", marina: "Ebbmouth", units: 11, half: true, updated: 4 * week},
	{name: "Guillemot", marina: "Ebbmouth", units: 14, unheard: 9 * day},
	{name: "Hobby", marina: "Ebbmouth", units: 6, updated: 12 * week},
	{name: "Knot", marina: "Sandling Basin", units: 12},
	{name: "Lapwing", marina: "Sandling Basin", units: 10, updated: 4 * day, visited: true},
	{name: "Linnet", marina: "Sandling Basin", units: 9, updated: 9 * week},
	{name: "Merlin", marina: "Sandling Basin", units: 14, trouble: "instance"},
	{name: "Nightjar", marina: "Sandling Basin", units: 13},
	{name: "Ouzel", marina: "Sandling Basin", units: 7, updated: 5 * week},
	{name: "Plover", marina: "Sandling Basin", units: 11},
	{name: "Redshank", marina: "Sandling Basin", units: 14, updated: 2 * week},
	{name: "Siskin", marina: "Sandling Basin", units: 8, updated: 3 * week},
	{name: "Whimbrel", marina: "Sandling Basin", units: 12},
}

// displaySoftware is what a display of the boat ran at a moment, that long ago.
func (b *demoBoat) displaySoftware(id string, ago time.Duration) string {
	switch {
	case b.updated > 0 && ago < b.updated && (!b.half || id == "helm-display"):
		return "4.52"
	case ago > 40*week:
		return "4.40"
	}
	return "4.47"
}

// scenario is the boat as it was at a moment, that long ago.
func (b *demoBoat) scenario(ctx context.Context, number int, ago time.Duration) (*sim.Scenario, error) {
	sc, err := sim.Load(ctx, "demo")
	if err != nil {
		return nil, err
	}
	sc.Timeline, sc.Repeat, sc.Seed, sc.Boat.Name, sc.Lines = nil, 0, uint64(number)+1, b.name, nil
	sc.Devices = sc.Devices[:min(b.units, len(sc.Devices))]
	for i := range sc.Devices {
		d := &sc.Devices[i]
		unique := *d.Unique + uint32(number)*97
		d.Unique, d.Serial = &unique, fmt.Sprintf("%s-%05d", d.Serial[:3], unique)
		if len(d.Installation) > 1 {
			d.Installation[1] = b.name
		}
		switch d.ID {
		case "helm-display", "flybridge-display":
			d.Software = b.displaySoftware(d.ID, ago)
		case "house-battery", "start-battery":
			if b.trouble != "instance" {
				d.Sends = withInstance(d.Sends, d.Instance)
			}
		}
	}
	if b.trouble == "voltage" && ago < 2*day {
		sc.Timeline = []sim.Action{{At: 2 * time.Second, Do: "sag", Volts: 3, For: time.Hour}}
	}
	return sc, nil
}

// withInstance gives what a device sends its own data instance.
func withInstance(sends []sim.Send, instance uint8) []sim.Send {
	out := make([]sim.Send, len(sends))
	for i, s := range sends {
		s.Instance = instance
		out[i] = s
	}
	return out
}

// demoWatched is how long each report of the demo fleet watches its boat.
const demoWatched = 20 * time.Second

// report is what the boat reported at a moment: its simulation, watched as muster watches a boat.
func (b *demoBoat) report(ctx context.Context, number int, at time.Time, ago time.Duration) (
	*report.Report, error,
) {
	sc, err := b.scenario(ctx, number, ago)
	if err != nil {
		return nil, err
	}
	c := config.Default()
	c.Boat = boat.Identity{ID: demoID(b.name), Name: b.name}
	c.Sources = []config.Source{{Source: "sim:demo", ID: "n2k", Ask: true}}
	open := func(string, bool) (tap.Source, error) {
		return sim.NewPlayer(sim.New(sc, sc.Seed, event.At(at.Add(-demoWatched))), 0), nil
	}
	return daemon.Replay(ctx, daemon.Options{Config: c, Log: zerolog.Nop(), Open: open}, demoWatched, nil)
}

// demoID is the id of a boat.
func demoID(name string) string { return strings.ToLower(name) }
