package check

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/quantity"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const now = event.Time(1_700_000_000 * 1e9)

func ago(d time.Duration) event.Time { return now.Add(-d) }

// aboard builds a report of one backbone, can0, with the given devices.
func aboard(devices ...boat.Device) *boat.State {
	return &boat.State{Networks: []boat.Network{heard(boat.Network{ID: "can0", Kind: event.NMEA2000, BitRate: 250_000})}, Devices: devices}
}

// heard is a network that was received for an hour.
func heard(n boat.Network) boat.Network {
	n.Start = ago(time.Hour)
	if n.Frames == 0 {
		n.Frames = 10_000
	}
	return n
}

// bus builds a report of one backbone without devices.
func bus(n boat.Network) *boat.State {
	n.ID, n.Kind = "can0", event.NMEA2000
	return &boat.State{Networks: []boat.Network{heard(n)}}
}

func line(n boat.Network) *boat.State {
	n.ID, n.Kind, n.BitRate = "ttyUSB0", event.NMEA0183, 4800
	return &boat.State{Networks: []boat.Network{heard(n)}}
}

// with adds muster's own device, which means that it asks.
func with(r *boat.State, d boat.Device) *boat.State {
	r.Devices = append(r.Devices, d)
	return r
}

func own() boat.Device {
	return boat.Device{ID: "C0FFEE0000000001", Network: "can0", Address: ptr(uint8(200)), State: boat.Present, Own: true, Name: &boat.Name{}, FirstSeen: ago(time.Hour)}
}

func ptr[T any](v T) *T { return &v }

type change func(*boat.Device)

func device(id string, address uint8, manufacturer boat.Coded, function string, model string, changes ...change) boat.Device {
	d := boat.Device{
		ID: id, Network: "can0", Address: &address, State: boat.Present, FirstSeen: ago(time.Hour), LastSeen: now,
		Name: &boat.Name{Manufacturer: manufacturer, DeviceClass: boat.Coded{Code: 60}, DeviceFunction: boat.Coded{Code: 130, Name: function},
			DeviceInstance: address, IndustryGroup: boat.Coded{Code: 4, Name: "Marine"}, ArbitraryAddress: true},
	}
	if model != "" {
		d.Product = &boat.Product{Code: ptr(uint16(100)), Model: model, Serial: "S" + id, Software: "1.0"}
	}
	for _, c := range changes {
		c(&d)
	}
	return d
}

// commands is a backbone on which a display sets something on a monitor, a minute ago unless given otherwise.
func commands(list ...boat.RemoteSetting) *boat.State {
	s := aboard(head("A1", 35), battery("C1", 36))
	for _, c := range list {
		if c.At.IsZero() {
			c.At = ago(time.Minute)
		}
		c.Network, c.From, c.FromAddress, c.To, c.ToAddress, c.What = "can0", "A1", 35, "C1", 36, "ISO Address Claim: Device instance lower 3"
		s.Networks[0].Commands = append(s.Networks[0].Commands, c)
	}
	return s
}

// ais sends AIS targets, as a device of a role.
func ais(r boat.Role) change {
	return func(d *boat.Device) {
		d.Role = r
		d.Transmits = append(d.Transmits, boat.Transmit{PGN: 129038, Count: 100, Last: now, Available: ptr(true)})
	}
}

var fuel, water = ptr(uint8(0)), ptr(uint8(1))

var larkfin, gannet, sanderling = boat.Coded{Code: 2001, Name: "Larkfin Marine"}, boat.Coded{Code: 2002, Name: "Gannet Instruments"}, boat.Coded{Code: 2003, Name: "Sanderling Power"}

func head(id string, address uint8, changes ...change) boat.Device {
	return device(id, address, larkfin, "Display", "Larkfin LF9 display", changes...)
}

func sounder(id string, address uint8, changes ...change) boat.Device {
	return device(id, address, gannet, "Depth", "Gannet SD2 sounder", changes...)
}

func battery(id string, address uint8, changes ...change) boat.Device {
	return device(id, address, sanderling, "Battery Monitor", "Sanderling Tavrik 7 monitor", changes...)
}

// gnss sends a message that has a sequence counter.
func gnss(id string, address uint8, changes ...change) boat.Device {
	d := device(id, address, gannet, "GNSS", "Gannet GN5 receiver", sends(boat.Transmit{PGN: 129029, Last: now}))
	for _, c := range changes {
		c(&d)
	}
	return d
}

// shared is a device from whose address a second one sends.
func shared(last time.Duration) change {
	return func(d *boat.Device) {
		d.Sharing = &boat.Sharing{Messages: []uint32{129029}, Since: ago(3 * time.Minute), Last: ago(last)}
	}
}

func serial(s string, unique uint32) change {
	return func(d *boat.Device) {
		d.Product.Serial, d.Product.Code, d.Name.UniqueNumber = s, ptr(uint16(7)), unique
		d.Heard = []boat.Span{{From: ago(time.Hour), Until: now}}
	}
}

func software(v string) change { return func(d *boat.Device) { d.Product.Software = v } }

func state(s boat.DeviceState, since time.Duration) change {
	return func(d *boat.Device) { d.State, d.StateSince, d.LastSeen = s, ago(since), ago(since) }
}

func lost() change {
	return func(d *boat.Device) { d.State, d.Address, d.StateSince = boat.NoAddress, nil, ago(time.Minute) }
}
func unnamed() change { return func(d *boat.Device) { d.Product = nil } }

func unclaimed() change {
	return func(d *boat.Device) {
		d.State, d.Name, d.Product, d.ID = boat.Provisional, nil, nil, fmt.Sprintf("can0/%d", *d.Address)
	}
}

func restart(times ...time.Duration) change {
	return func(d *boat.Device) {
		for _, t := range times {
			d.LastRestarts = append(d.LastRestarts, ago(t))
		}
	}
}

func beats(n uint64, last time.Duration, states uint8) change {
	return func(d *boat.Device) {
		d.Heartbeat = &boat.Beat{Count: n, At: ago(last), Usual: time.Minute, Equipment: boat.BeatState(states >> 4 & 3),
			Controllers: [2]boat.BeatState{boat.BeatState(states & 3), boat.BeatState(states >> 2 & 3)}}
	}
}

func instances(dev, system uint8) change {
	return func(d *boat.Device) { d.Name.DeviceInstance, d.Name.SystemInstance = dev, system }
}

// dc sends DC detailed status of a type: 0 battery, 3 solar cell, 4 wind generator.
func dc(instance, kind uint8) change {
	return sends(boat.Transmit{PGN: 127506, Title: "DC Detailed Status", Instance: &instance, Selector: &kind})
}

func sends(t boat.Transmit) change {
	if t.Count == 0 {
		t.Count = 1000
	}
	if t.Last == 0 {
		t.Last = now
	}
	return func(d *boat.Device) { d.Transmits = append(d.Transmits, t) }
}

func depth(changes ...func(*boat.Transmit)) change {
	t := boat.Transmit{PGN: 128267, Title: "Water Depth", Nominal: 1000, Recent: time.Second, Available: ptr(true)}
	for _, c := range changes {
		c(&t)
	}
	return sends(t)
}

func tank(instance uint8, fluid *uint8) change {
	return sends(boat.Transmit{PGN: 127505, Title: "Fluid Level", Instance: &instance, Selector: fluid})
}

func volts(instance uint8) change {
	return sends(boat.Transmit{PGN: 127508, Title: "Battery Status", Instance: &instance})
}

// waits lets a message have come at intervals of so many seconds, smoothed to recent.
func waits(recent time.Duration, seconds ...float64) func(t *boat.Transmit) {
	return func(t *boat.Transmit) {
		at := now
		t.Recent, t.Waits = recent, quantity.Trace{Every: recent}
		for _, s := range slices.Backward(seconds) {
			t.Waits.Steps = append(t.Waits.Steps, quantity.Step{At: at, Value: s})
			at = at.Add(-time.Duration(s * float64(time.Second)))
		}
		slices.Reverse(t.Waits.Steps)
	}
}

func empty(t *boat.Transmit) { t.Available, t.EmptySince = ptr(false), ago(5*time.Minute) }

func boxes(n int, serial func(int) string) *boat.State {
	r := aboard()
	for i := range n {
		r = with(r, head(fmt.Sprintf("A%03d", i), uint8(i), func(d *boat.Device) { d.Product.Serial = serial(i) }))
	}
	return r
}

// sample is one report for one rule, with the number of findings that the rule must make of it.
type sample struct {
	rule   string
	name   string
	report *boat.State
	want   int
}

func samples() []sample {
	duplicate := func(last time.Duration) *boat.State {
		r := aboard(head("A1", 35))
		r.Networks[0].Duplicates = []boat.Duplicate{{Name: "A1", Addresses: []uint8{35, 36}, Changes: 5, Since: ago(time.Hour), Last: ago(last)}}
		return r
	}
	contest := func(claims int) *boat.State {
		r := aboard(head("A1", 35), sounder("B1", 35))
		r.Networks[0].Contests = []boat.Contest{{Address: 35, Names: []string{"A1", "B1"}, Claims: claims, Since: ago(2 * time.Minute), Last: now}}
		return r
	}
	manyGPS := func(last time.Duration, available bool) change {
		return sends(boat.Transmit{PGN: 129025, Title: "Position, Rapid Update", Last: ago(last), Available: &available})
	}
	each := func(i int) string { return fmt.Sprint("S", i) }
	minute := func(f boat.Faults) boat.Network { return boat.Network{Recent: f, Faults: f, State: "active"} }
	return append([]sample{
		{"duplicate-name", "both speak", duplicate(0), 1},
		{"duplicate-name", "one was taken off", duplicate(2 * time.Minute), 0},
		{"duplicate-name", "muster's own", with(duplicate(0), func() boat.Device { d := own(); d.ID = "A1"; return d }()), 1},
		{"address-contested", "with muster itself", with(contest(4), func() boat.Device { d := own(); d.ID = "B1"; return d }()), 1},
		{"no-address", "lost it", aboard(head("A1", 35, lost()), sounder("B1", 36)), 1},
		{"no-address", "fixed address", aboard(head("A1", 35, lost(), func(d *boat.Device) { d.Name.ArbitraryAddress = false })), 1},
		{"no-address", "muster itself", aboard(head("A1", 35), func() boat.Device {
			d := own()
			d.State, d.Address, d.StateSince = boat.NoAddress, nil, ago(time.Minute)
			return d
		}()), 1},
		{"no-address", "present", aboard(head("A1", 35)), 0},
		{"address-contested", "again and again", contest(4), 1},
		{"address-contested", "once at start-up", contest(1), 0},
		{"address-shared", "two receivers", aboard(gnss("A1", 35, shared(time.Second))), 1},
		{"address-shared", "the second was taken off", aboard(gnss("A1", 35, shared(2*time.Minute))), 0},
		{"address-shared", "a compass that lost its address", aboard(gnss("A1", 35, func(d *boat.Device) {
			d.Sharing = &boat.Sharing{Doubled: []uint32{127250}, With: "A2", Since: ago(3 * time.Minute), Last: ago(time.Second)}
		}), gnss("A2", 36, func(d *boat.Device) { d.Address, d.Lost = nil, ptr(uint8(35)) })), 1},
		{"address-shared", "two clocks", aboard(gnss("A1", 35, func(d *boat.Device) {
			d.Sharing = &boat.Sharing{Doubled: []uint32{127250}, Since: ago(3 * time.Minute), Last: ago(time.Second)}
		})), 1},
		{"address-shared", "two serial numbers", aboard(gnss("A1", 35, func(d *boat.Device) {
			d.Sharing = &boat.Sharing{Serials: []string{"1", "2"}, Since: ago(8 * time.Minute), Last: ago(5 * time.Minute)}
		})), 1},
		{"address-shared", "a receiver", aboard(gnss("A1", 35)), 0},
		{"address-shared", "no counter to go by", aboard(sounder("A1", 35)), 0},
		{"address-shared", "a sounder that numbers its messages", aboard(sounder("A1", 35, func(d *boat.Device) { d.Counts = true })), 0},
		{"address-shared", "no counter to go by of one", aboard(gnss("A1", 35), sounder("A2", 36)), 0},
		{"address-shared", "one lost its address and is not heard again", aboard(gnss("A1", 35), gnss("A2", 36, func(d *boat.Device) {
			d.Address, d.Lost = nil, ptr(uint8(35))
		})), 0},
		{"same-serial", "two displays", aboard(head("A1", 35, serial("7", 1)), head("A2", 36, serial("7", 2))), 1},
		{"same-serial", "three displays", aboard(head("A1", 35, serial("7", 1)), head("A2", 36, serial("7", 2)), head("A3", 37, serial("7", 3))), 1},
		{"same-serial", "one was taken off", aboard(head("A1", 35, serial("7", 1)), head("A2", 36, serial("7", 2), state(boat.Silent, time.Minute))), 0},
		{"same-serial", "zeros", aboard(head("A1", 35, serial("000", 1)), head("A2", 36, serial("000", 2))), 0},
		{"same-serial", "functions of one box", aboard(head("A1", 35, serial("7", 1)), head("A2", 36, serial("7", 2), func(d *boat.Device) { d.Name.DeviceFunction.Code++ })), 0},
		{"same-serial", "instances of one unique number", aboard(head("A1", 35, serial("7", 1)), head("A2", 36, serial("7", 1))), 0},
		{"unclaimed-source", "nobody asks", aboard(head("A1", 35, unclaimed()), head("A2", 36, unclaimed())), 1},
		{"unclaimed-source", "asked", with(aboard(head("A1", 35, unclaimed(), depth())), own()), 1},
		{"unclaimed-source", "claimed", aboard(head("A1", 35)), 0},
		{"no-heartbeat", "stopped", aboard(head("A1", 35, beats(10, 5*time.Minute, 0xFF))), 1},
		{"no-heartbeat", "declared and never sent", aboard(head("A1", 35, func(d *boat.Device) { d.Declares = []uint32{126993} })), 1},
		{"no-heartbeat", "in time", aboard(head("A1", 35, beats(10, 50*time.Second, 0xFF))), 0},
		{"equipment-status", "a fault", aboard(head("A1", 35, beats(10, 0, 0xDD))), 1},
		{"equipment-status", "no fault", aboard(head("A1", 35, beats(10, 0, 0xCC))), 0},
		{"not-identified", "nobody asks", aboard(head("A1", 35, unnamed()), sounder("B1", 36, unnamed())), 1},
		{"not-identified", "asked", with(aboard(head("A1", 35, unnamed(), func(d *boat.Device) { d.Unanswered = "no answer to 5 requests" })), own()), 1},
		{"not-identified", "only just seen", aboard(head("A1", 35, unnamed(), func(d *boat.Device) { d.FirstSeen = ago(time.Second) })), 0},
		{"not-identified", "identified", with(aboard(head("A1", 35)), own()), 0},
		{"silent", "one device", aboard(head("A1", 35), sounder("B1", 36, depth(), state(boat.Silent, 3*time.Minute))), 1},
		{"silent", "gone for long", aboard(head("A1", 35), sounder("B1", 36, state(boat.Gone, 26*time.Hour))), 1},
		{"silent", "the whole backbone", aboard(head("A1", 35, state(boat.Silent, 3*time.Minute)), sounder("B1", 36, state(boat.Silent, 200*time.Second))), 1},
		{"silent", "the whole backbone, one long before", aboard(head("A1", 35, state(boat.Silent, 3*time.Minute)), sounder("B1", 36, state(boat.Gone, time.Hour))), 2},
		{"silent", "the whole backbone, one device never says much", aboard(head("A1", 35, state(boat.Silent, 3*time.Minute)), sounder("B1", 36, state(boat.Silent, 200*time.Second)),
			battery("C1", 37, state(boat.Present, 2*time.Hour))), 1},
		{"silent", "adapter away", bus(boat.Network{DownSince: ago(time.Minute), Faults: boat.Faults{SourceLost: 2}}), 1},
		{"silent", "bus off is told elsewhere", func() *boat.State {
			r := aboard(head("A1", 35, state(boat.Silent, time.Minute)))
			r.Networks[0].State = "bus-off"
			return r
		}(), 0},
		{"silent", "all speak", aboard(head("A1", 35), sounder("B1", 36)), 0},
		{"restarted", "once", aboard(head("A1", 35, restart(5*time.Minute)), sounder("B1", 36)), 1},
		{"restarted", "often", aboard(head("A1", 35, restart(50*time.Minute, 30*time.Minute, 20*time.Minute, time.Minute)), sounder("B1", 36)), 1},
		{"restarted", "together", aboard(head("A1", 35, restart(305*time.Second)), sounder("B1", 36, restart(301*time.Second)), battery("C1", 37, restart(5*time.Minute)), head("A2", 38)), 1},
		{"restarted", "long ago", aboard(head("A1", 35, restart(2*time.Hour))), 0},
		{"software-differs", "two displays", aboard(head("A1", 35, software("4.5")), head("A2", 36, software("4.47")), sounder("B1", 37, software("9"))), 1},
		{"software-differs", "joined by product code", aboard(head("A1", 35, software("4.5")),
			head("A2", 36, software("4.47"), func(d *boat.Device) { d.Product.Model = "LF9" }),
			head("A3", 37, software("4.5"), func(d *boat.Device) { d.Product.Model = "lf9"; d.Product.Code = nil })), 1},
		{"software-differs", "same version but for padding", aboard(head("A1", 35, software("4.5")), head("A2", 36, software("4.5 "))), 0},
		{"software-differs", "same version but for filler and a letter", aboard(head("A1", 35, software("4.5")), head("A2", 36, software("v4.5@@")), head("A3", 37, software("V4.5"))), 0},
		{"software-differs", "same code, other manufacturer", aboard(head("A1", 35, software("4.5")), sounder("B1", 36, software("4.47"))), 0},
		{"software-differs", "not told", aboard(head("A1", 35, software("4.5")), head("A2", 36, software(""))), 0},
		{"instance-clash", "batteries", aboard(battery("C1", 40, volts(0)), battery("C2", 41, volts(0), volts(1))), 1},
		{"instance-clash", "fuel tanks", aboard(battery("C1", 40, tank(0, fuel)), battery("C2", 41, tank(0, fuel), tank(0, water)), battery("C3", 42, tank(0, nil))), 1},
		{"instance-clash", "device instances", aboard(head("A1", 35, instances(0, 0)), head("A2", 36, instances(0, 0))), 1},
		{"instance-clash", "a solar controller and a battery", aboard(battery("C1", 40, dc(0, 0)), battery("C2", 41, dc(0, 3)), battery("C3", 42, dc(0, 4))), 0},
		{"instance-clash", "a solar controller that gives its voltage as well", aboard(battery("C1", 40, volts(0), dc(0, 0)), battery("C2", 41, volts(0), dc(0, 3))), 0},
		{"instance-clash", "a solar controller that gives the bank's voltage", aboard(battery("C1", 40, volts(0)), battery("C2", 41, volts(0), dc(0, 0), dc(0, 3))), 1},
		{"instance-clash", "two solar controllers", aboard(battery("C1", 40, dc(0, 3)), battery("C2", 41, dc(0, 3))), 1},
		{"instance-clash", "two ways to say a battery", aboard(battery("C1", 40, dc(0, 0)), battery("C2", 41, volts(0))), 1},
		{"instance-clash", "fuel and water", aboard(battery("C1", 40, tank(0, fuel)), battery("C2", 41, tank(0, water))), 0},
		{"instance-clash", "fluid unknown", aboard(battery("C1", 40, tank(0, nil)), battery("C2", 41, tank(0, nil))), 0},
		{"instance-clash", "no instance", aboard(battery("C1", 40, volts(255)), battery("C2", 41, volts(255))), 0},
		{"instance-clash", "own instances", aboard(battery("C1", 40, volts(0)), battery("C2", 41, volts(1))), 0},
		{"foreign-device", "an engine of its own bus", aboard(head("A1", 35), sounder("B1", 36, func(d *boat.Device) {
			d.Name.IndustryGroup = boat.Coded{Code: 0, Name: "Global"}
		})), 1},
		{"foreign-device", "an engine that claimed before", aboard(head("A1", 35), head("B1", 0, unclaimed(), func(d *boat.Device) {
			d.Transmits = []boat.Transmit{{PGN: 61444}, {PGN: 65262}}
		})), 1},
		{"foreign-device", "reserved addresses", aboard(head("A1", 252), head("B1", 253, unclaimed())), 2},
		{"foreign-device", "all marine", aboard(head("A1", 35), sounder("B1", 251)), 0},
		{"foreign-device", "no device claimed", aboard(head("A1", 35, unclaimed())), 0},
		{"commanded", "accepted, refused and not answered", commands(boat.RemoteSetting{PGN: 60928, Outcome: boat.Accepted},
			boat.RemoteSetting{PGN: 127508, Outcome: boat.Refused, Why: "access denied"}, boat.RemoteSetting{PGN: 65240}), 3},
		{"commanded", "the same twice", commands(boat.RemoteSetting{PGN: 60928}, boat.RemoteSetting{PGN: 60928, Outcome: boat.Accepted}), 1},
		{"commanded", "long ago", commands(boat.RemoteSetting{PGN: 60928, At: ago(2 * time.Hour)}), 0},
		{"multiple-sources", "AIS that a display repeats", aboard(sounder("A1", 35, ais(boat.RoleAIS)), head("B1", 36, ais(boat.RoleDisplay))), 1},
		{"multiple-sources", "two AIS receivers and a display", aboard(sounder("A1", 35, ais(boat.RoleAIS)), sounder("B1", 36, ais(boat.RoleAIS)),
			head("C1", 37, ais(boat.RoleDisplay))), 1},
		{"multiple-sources", "two positions", aboard(head("A1", 35, manyGPS(0, true)), sounder("B1", 36, manyGPS(0, true))), 1},
		{"multiple-sources", "one has no value", aboard(head("A1", 35, manyGPS(0, true)), sounder("B1", 36, manyGPS(0, false))), 0},
		{"multiple-sources", "one has stopped", aboard(head("A1", 35, manyGPS(0, true)), sounder("B1", 36, manyGPS(time.Hour, true))), 0},
		{"multiple-sources", "one is muster", with(aboard(head("A1", 35, manyGPS(0, true))), func() boat.Device { d := own(); manyGPS(0, true)(&d); return d }()), 0},
		{"slow-data", "depth every ten seconds", aboard(sounder("B1", 36, depth(func(t *boat.Transmit) { t.Recent = 10 * time.Second }))), 1},
		{"slow-data", "mean when nothing better is known", aboard(sounder("B1", 36, depth(func(t *boat.Transmit) { t.Recent, t.Interval = 0, &boat.Interval{Mean: 7500} }))), 1},
		{"slow-data", "a little slow", aboard(sounder("B1", 36, depth(func(t *boat.Transmit) { t.Recent = 2 * time.Second }))), 0},
		{"slow-data", "in time but for one outage", aboard(sounder("B1", 36, depth(waits(10*time.Second, 1, 1, 1, 1, 1, 40, 1, 1, 1, 1)))), 0},
		{"slow-data", "slow all the while", aboard(sounder("B1", 36, depth(waits(8*time.Second, 8, 8, 8.1, 8, 8, 7.9, 8, 8, 8, 8)))), 1},
		{"slow-data", "at the limit, unevenly", aboard(sounder("B1", 36, depth(waits(6*time.Second, 2, 9, 3, 8, 6, 9, 2, 8, 3, 9)))), 0},
		{"slow-data", "on request", aboard(sounder("B1", 36, depth(func(t *boat.Transmit) { t.Recent, t.Nominal = 10*time.Second, 0 }))), 0},
		{"slow-data", "too few", aboard(sounder("B1", 36, depth(func(t *boat.Transmit) { t.Recent, t.Count, t.First = 10*time.Second, 2, ago(10*time.Second) }))), 0},
		{"slow-data", "few where many were due", aboard(sounder("B1", 36, depth(func(t *boat.Transmit) { t.Recent, t.Count, t.First = 10*time.Second, 5, ago(45*time.Second) }))), 1},
		{"empty-data", "no depth", aboard(sounder("B1", 36, depth(empty))), 1},
		{"empty-data", "texts of a device", aboard(sounder("B1", 36, depth(empty, func(t *boat.Transmit) { t.PGN = 130074 }))), 1},
		{"empty-data", "depth", aboard(sounder("B1", 36, depth())), 0},
		{"empty-data", "unreadable", aboard(sounder("B1", 36, depth(func(t *boat.Transmit) { t.Available = nil }))), 0},
		{"bus-load-high", "over half", bus(boat.Network{LoadRecent: 0.56, Load: &boat.Load{Mean: 0.4, Peak: 0.7}}), 1},
		{"bus-load-high", "over three quarters", bus(boat.Network{LoadRecent: 0.801}), 1},
		{"bus-load-high", "idle", bus(boat.Network{LoadRecent: 0.21}), 0},
		{"bus-errors", "some", bus(minute(boat.Faults{ErrorFrames: 12})), 1},
		{"bus-errors", "error-passive", bus(boat.Network{State: "passive", Recent: boat.Faults{ErrorFrames: 1}}), 1},
		{"bus-errors", "none", bus(minute(boat.Faults{Dropped: 12})), 0},
		{"bus-off", "now", bus(boat.Network{State: "bus-off", BusOffSince: ago(40 * time.Second)}), 1},
		{"bus-off", "came back", bus(minute(boat.Faults{BusOff: 1})), 1},
		{"bus-off", "active", bus(boat.Network{State: "active", Faults: boat.Faults{BusOff: 3}}), 0},
		{"incomplete-messages", "on the backbone", bus(minute(boat.Faults{BrokenSequences: 4, TransportErrors: 1})), 1},
		{"incomplete-messages", "lost by muster", bus(minute(boat.Faults{BrokenSequences: 4, Dropped: 9})), 1},
		{"incomplete-messages", "never came", bus(minute(boat.Faults{LostMessages: 5})), 1},
		{"incomplete-messages", "one at the start", bus(minute(boat.Faults{BrokenSequences: 1})), 0},
		{"frames-dropped", "some", bus(minute(boat.Faults{Dropped: 9})), 1},
		{"frames-dropped", "none of late", bus(boat.Network{Faults: boat.Faults{Dropped: 9}}), 0},
		{"wrong-bit-rate", "500 kbit/s", bus(boat.Network{BitRate: 500_000}), 1},
		{"wrong-bit-rate", "250 kbit/s", bus(boat.Network{BitRate: 250_000}), 0},
		{"wrong-bit-rate", "unknown", bus(boat.Network{}), 0},
		{"wrong-bit-rate", "a line", line(boat.Network{}), 0},
		{"too-many-devices", "51 boxes", boxes(51, each), 1},
		{"too-many-devices", "60 NAMEs in 50 boxes", boxes(60, func(i int) string { return each(i % 50) }), 0},
		{"bad-checksum", "noise", line(boat.Network{Recent: boat.Faults{ChecksumErrors: 7}, Faults: boat.Faults{ChecksumErrors: 20}, Frames: 900}), 1},
		{"bad-checksum", "once", line(boat.Network{Recent: boat.Faults{ChecksumErrors: 1}}), 0},
		{"garbled-line", "wrong baud rate", line(boat.Network{Recent: boat.Faults{GarbledLines: 50}, Faults: boat.Faults{GarbledLines: 80}, Frames: 80}), 1},
		{"garbled-line", "once", line(boat.Network{Recent: boat.Faults{GarbledLines: 1}}), 0},
	}, sourceSamples()...)
}

func ruleOf(t *testing.T, id string) Rule {
	t.Helper()
	for _, r := range All() {
		if r.ID == id {
			return r
		}
	}
	t.Fatalf("no rule %q", id)
	return Rule{}
}

func TestRules(t *testing.T) {
	s := DefaultSettings()
	for _, tt := range samples() {
		t.Run(tt.rule+"/"+tt.name, func(t *testing.T) {
			rule := ruleOf(t, tt.rule)
			tt.report.FindUnits(nil, 0)
			judged := Judge([]Rule{rule}, tt.report, now, &s)
			got := judged.Findings
			if len(got) != tt.want {
				t.Fatalf("%d findings, want %d: %+v", len(got), tt.want, got)
			}
			if tt.want == 0 {
				answer(t, tt, &judged)
			}
			for _, f := range got {
				if f.Check != tt.rule || f.Severity.Rank() == 0 || f.Subject == "" || f.Summary == "" || len(f.Steps) == 0 || len(f.Evidence) == 0 || f.Hold != rule.Hold {
					t.Errorf("incomplete finding %+v", f)
				}
				if !slices.IsSorted(f.Devices) || slices.Contains(f.Devices, own().ID) {
					t.Errorf("devices %v", f.Devices)
				}
				if f.Since > now || f.Since < 0 {
					t.Errorf("since %v", f.Since)
				}
				if _, err := json.Marshal(f.Evidence); err != nil {
					t.Error(err)
				}
			}
		})
	}
}

// unjudged are the samples that find nothing because the rule cannot judge them, each with what it would take.
var unjudged = map[string]Need{
	"address-shared/no counter to go by":                         NeedTraffic,
	"address-shared/no counter to go by of one":                  NeedTraffic,
	"address-shared/one lost its address and is not heard again": NeedTraffic,
	"data-loop/one way only":                                     NeedSources,
	"data-loop/too few changes":                                  NeedTraffic,
	"empty-data/unreadable":                                      NeedTraffic,
	"foreign-device/no device claimed":                           NeedAsking,
	"low-voltage/not connected":                                  NeedTraffic,
	"not-identified/only just seen":                              NeedTime,
	"sentence-late/the whole line is dead":                       NeedTraffic,
	"silent/bus off is told elsewhere":                           NeedTraffic,
	"slow-data/on request":                                       NeedTraffic,
	"slow-data/too few":                                          NeedTime,
	"sources-disagree/headings that share no moment":             NeedTime,
	"sources-disagree/course at rest":                            NeedTraffic,
	"sources-disagree/one has stopped":                           NeedSources,
	"sources-disagree/other reference":                           NeedSources,
	"wrong-bit-rate/a line":                                      NeedTraffic,
	"wrong-bit-rate/unknown":                                     NeedInterface,
}

// answer holds a rule that found nothing to its answer.
func answer(t *testing.T, s sample, j *Judgement) {
	t.Helper()
	clear := slices.ContainsFunc(j.Clear, func(c Subject) bool { return c.Check == s.rule })
	i := slices.IndexFunc(j.NotJudged, func(u Unjudged) bool { return u.Check == s.rule })
	switch want := unjudged[s.rule+"/"+s.name]; {
	case want == "" && !clear:
		t.Errorf("is not clear: %+v", j.NotJudged)
	case want != "" && (clear || i < 0 || j.NotJudged[i].Needs != want || j.NotJudged[i].Why == ""):
		t.Errorf("clear %v, not judged %+v, want %s", clear, j.NotJudged, want)
	}
}

func TestEveryRuleFiresAndKeepsQuiet(t *testing.T) {
	fires, quiet := map[string]bool{}, map[string]bool{}
	for _, s := range samples() {
		if s.want > 0 {
			fires[s.rule] = true
		} else {
			quiet[s.rule] = true
		}
	}
	last := ""
	for _, r := range All() {
		if !fires[r.ID] || !quiet[r.ID] {
			t.Errorf("%s: fires %v, quiet %v: both need a sample", r.ID, fires[r.ID], quiet[r.ID])
		}
		if r.ID <= last {
			t.Errorf("%s stands after %s: the table is sorted and ids are unique", r.ID, last)
		}
		last = r.ID
		if r.Severity.Rank() == 0 || r.Check == nil || r.common == nil {
			t.Errorf("%s is incomplete", r.ID)
		}
	}
}

// The golden file holds every word that a technician reads, for review as prose.
func TestWords(t *testing.T) {
	var b strings.Builder
	for _, e := range Catalogue() {
		fmt.Fprintf(&b, "# %s (%s, hold %s)\n%s\n", e.ID, e.Severity, span(e.Hold), e.Doc)
		for _, s := range samples() {
			if s.rule != e.ID || s.want == 0 {
				continue
			}
			fmt.Fprintf(&b, "\n## %s\n", s.name)
			d := DefaultSettings()
			s.report.FindUnits(nil, 0)
			for _, f := range Judge([]Rule{ruleOf(t, s.rule)}, s.report, now, &d).Findings {
				delete(f.Evidence, SeriesKey) // a picture has no words
				facts, err := json.Marshal(f.Evidence)
				if err != nil {
					t.Fatal(err)
				}
				fmt.Fprintf(&b, "%s [%s:%s]\n  %s\n  evidence: %s\n  remedy: %s\n", f.Severity, f.Check, f.Subject, f.Summary, facts, Remedy(f.Steps))
			}
		}
		b.WriteByte('\n')
	}
	path := filepath.Join("testdata", "words.golden")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Errorf("run with -update and review (-want +got)\n%s", diff)
	}
}

// everything is one report with all the faults of the samples in it.
func everything() *boat.State {
	var r boat.State
	for i, s := range samples() {
		id := fmt.Sprintf("net%02d", i)
		renamed := func(old string) string {
			if _, letters, ok := strings.Cut(old, "/"); ok {
				return id + "/" + letters
			}
			return id + old
		}
		for _, t := range s.report.Talkers {
			t.Network = id
			r.Talkers = append(r.Talkers, t)
		}
		for _, x := range s.report.Sources {
			x.Network, x.ID = id, renamed(x.ID)
			r.Sources = append(r.Sources, x)
		}
		for _, e := range s.report.Echoes {
			e.From, e.To = renamed(e.From), renamed(e.To)
			r.Echoes = append(r.Echoes, e)
		}
		for _, n := range s.report.Networks {
			n.ID = id
			r.Networks = append(r.Networks, n)
		}
		for _, d := range s.report.Devices {
			d.Network, d.ID, d.Unit = id, id+d.ID, ""
			if d.Product != nil {
				product := *d.Product
				product.Serial = id + product.Serial
				d.Product = &product
			}
			r.Devices = append(r.Devices, d)
		}
	}
	r.FindUnits(nil, 0)
	return &r
}

func TestRunIsTheSameEveryTime(t *testing.T) {
	r := everything()
	first := Judge(All(), r, now, nil).Findings
	if len(first) < 30 {
		t.Fatalf("only %d findings", len(first))
	}
	seen := map[string]bool{}
	for _, f := range first {
		key := f.Check + ":" + f.Subject
		if seen[key] {
			t.Errorf("two findings have the identity %q", key)
		}
		seen[key] = true
	}
	for range 5 {
		if diff := cmp.Diff(first, Judge(All(), r, now, nil).Findings); diff != "" {
			t.Fatalf("(-first +again)\n%s", diff)
		}
	}
	if diff := cmp.Diff(everything(), r); diff != "" {
		t.Errorf("the checks changed what they judge\n%s", diff)
	}
}

func TestEmptyReport(t *testing.T) {
	if got := Judge(All(), &boat.State{}, 0, nil).Findings; len(got) != 0 {
		t.Errorf("findings about nothing: %+v", got)
	}
}

func TestSettingsOverride(t *testing.T) {
	r := bus(boat.Network{BitRate: 500_000, LoadRecent: 0.6})
	s := DefaultSettings()
	text := `
every: 5s
bus-load-high: {off: true}
wrong-bit-rate: {severity: info, hold: 2m}
slow-data: {factor: 3}
`
	if err := yaml.UnmarshalWithOptions([]byte(text), &s, yaml.Strict()); err != nil {
		t.Fatal(err)
	}
	if err := s.Validate(); err != nil {
		t.Fatal(err)
	}
	if s.Every != 5*time.Second || s.SlowData.Factor != 3 || s.SlowData.Count != 20 {
		t.Errorf("settings %+v", s)
	}
	got := Judge(All(), r, now, &s).Findings
	if len(got) != 1 || got[0].Check != "wrong-bit-rate" || got[0].Severity != Info || got[0].Hold != 2*time.Minute {
		t.Errorf("findings %+v", got)
	}
	if err := yaml.UnmarshalWithOptions([]byte("slow-data: {faktor: 3}"), &s, yaml.Strict()); err == nil {
		t.Error("an unknown key was taken")
	}
}

func TestRulesFromElsewhere(t *testing.T) {
	tell := func(p *Pass) { p.Find(Finding{Subject: "x", Summary: "x"}) }
	list := []Rule{{ID: "software-behind", Severity: Warning, Check: tell}, {ID: "software-differs", Severity: Warning, Check: tell},
		{ID: "not-known", Severity: Info, Check: tell}, {ID: "terminator", Severity: Info, Check: tell}}
	s := DefaultSettings()
	s.SoftwareBehind.Severity, s.SoftwareDiffers.Severity, s.Terminator.Off = Critical, Info, true
	var got []string
	for _, f := range Judge(list, aboard(), now, &s).Findings {
		got = append(got, f.Check+" "+string(f.Severity))
	}
	if diff := cmp.Diff([]string{"not-known info", "software-behind critical", "software-differs info"}, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	none := &Settings{}
	for _, id := range elsewhere {
		if c := s.more(id); c == none.more(id) || *none.more(id) != (Common{}) {
			t.Errorf("%s has no settings", id)
		}
	}
}

func TestSettingsValidate(t *testing.T) {
	d := DefaultSettings()
	if err := d.Validate(); err != nil {
		t.Errorf("defaults: %v", err)
	}
	tests := []struct {
		name string
		set  func(*Settings)
		want string
	}{
		{"every", func(s *Settings) { s.Every = 0 }, "every: 0s is too short: give 1s or more"},
		{"share", func(s *Settings) { s.BusLoadHigh.Warning = 50 }, "bus-load-high.warning: 50 must be a share above 0 and up to 1, such as 0.5\nbus-load-high.critical: 0.75 must be between bus-load-high.warning and 1"},
		{"severity", func(s *Settings) { s.Silent.Severity = "bad" }, `silent.severity: "bad" is not one of info, warning, critical`},
		{"hold", func(s *Settings) { s.Silent.Hold = ptr(-time.Second) }, "silent.hold: must not be negative"},
		{"per minute", func(s *Settings) { s.BadChecksum.PerMinute = 0 }, "bad-checksum.per_minute: 0 would fire without a fault: give 1 or more"},
		{"factor", func(s *Settings) { s.SlowData.Factor = 1 }, "slow-data.factor: 1 must be above 1"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := DefaultSettings()
			tt.set(&s)
			if err := s.Validate(); err == nil || err.Error() != tt.want {
				t.Errorf("got  %v\nwant %v", err, tt.want)
			}
		})
	}
}

func TestSpan(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 ms", 250 * time.Millisecond: "250 ms", 7500 * time.Millisecond: "8 s", 3 * time.Minute: "3 min", 200 * time.Second: "3 min 20 s",
		2*time.Hour + 5*time.Minute: "2 h 5 min", 25 * time.Hour: "1 d 1 h", 24*time.Hour + 5*time.Minute: "1 d",
	} {
		if got := span(d); got != want {
			t.Errorf("span(%v) is %q, want %q", d, got, want)
		}
	}
}

func TestLabel(t *testing.T) {
	bare := head("A1", 35)
	bare.Product = nil
	short := head("A1", 35)
	short.Product.Model = "LF9"
	tests := []struct {
		name string
		in   boat.Device
		want string
	}{
		{"model begins with the manufacturer", head("A1", 35), "Larkfin LF9 display (address 35)"},
		{"model without the manufacturer", short, "Larkfin Marine LF9 (address 35)"},
		{"no model", bare, "Larkfin Marine display (address 35)"},
		{"nothing known", boat.Device{Address: ptr(uint8(7))}, "device (address 7)"},
		{"no address", boat.Device{}, "device (no address)"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := label(&tt.in); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}

func BenchmarkRun(b *testing.B) {
	for _, n := range []int{1, 10, 50, 250} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			r := aboard()
			for i := range n {
				r = with(r, head(fmt.Sprintf("A%03d", i), uint8(i), depth(), volts(uint8(i)), tank(uint8(i), fuel)))
			}
			s := DefaultSettings()
			b.ReportAllocs()
			for b.Loop() {
				Judge(All(), r, now, &s)
			}
		})
	}
}

func TestSelectorName(t *testing.T) {
	for _, tt := range []struct {
		pgn  uint32
		code uint8
		want string
	}{{127505, 0, "fuel"}, {127505, 1, "fresh water"}, {130316, 0, "sea"}, {130316, 250, "type 250"}, {1, 2, "type 2"}} {
		if got := selectorName(tt.pgn, tt.code); got != tt.want {
			t.Errorf("selectorName(%d, %d) is %q, want %q", tt.pgn, tt.code, got, tt.want)
		}
	}
}
