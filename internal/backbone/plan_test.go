package backbone

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
	"muster/pgn"
)

// sound is a backbone that breaks no rule, to be changed.
func sound() *Layout {
	return &Layout{Segments: []Segment{{"a", "b", 6, "micro"}, {"b", "c", 6, "micro"}},
		Tees: []Tee{{At: "b", Drops: []Drop{{At: "b", Length: 2, Device: "plotter", Model: "LF9 display", Role: "display", Load: 8},
			{At: "b", Length: 2, Device: "sounder", Role: "depth", Load: 2}}}},
		Terminators: []string{"a", "c"}, Power: []Power{{At: "b", Voltage: 12, Fuse: 3}}}
}

// TestFindings: each finding of the plan alone fires for its own mistake, and for none of the others.
func TestFindings(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Layout)
		want   []string // check and subject
	}{
		{"nothing", func(*Layout) {}, nil},
		{"drop at the end counts in", func(l *Layout) {
			l.Segments[0].Length, l.Segments[1].Length, l.Tees[0].At = 48, 48, "c"
			for i := range l.Tees[0].Drops {
				l.Tees[0].Drops[i].At, l.Tees[0].Drops[i].Length, l.Tees[0].Drops[i].Load = "c", 5, .1
			}
		}, []string{"backbone-too-long backbone"}},
		{"51 devices", func(l *Layout) {
			for range 49 {
				l.Tees[0].Drops = append(l.Tees[0].Drops, Drop{At: "b", Load: .5})
			}
		}, []string{"too-many-devices layout"}},
		{"24 V", func(l *Layout) { l.Power[0].Voltage = 24 }, []string{"voltage-drop power b"}},
		{"light power leg", func(l *Layout) {
			l.Segments[0].Cable, l.Segments[1].Cable = "mini", "mini"
			l.Power[0] = Power{At: "b", Voltage: 12, Length: 1, Fuse: 8}
		}, []string{"load-too-high fuse b"}},
		{"light power leg and much load", func(l *Layout) {
			l.Segments[0].Cable, l.Segments[1].Cable = "mini", "mini"
			l.Power[0] = Power{At: "b", Voltage: 12, Length: 1, Fuse: 8}
			for range 4 {
				l.Tees[0].Drops = append(l.Tees[0].Drops, Drop{At: "b", Load: 15})
			}
		}, []string{"load-too-high power leg b", "load-too-high fuse b"}},
		{"two supplies", func(l *Layout) { l.Power = append(l.Power, Power{At: "c", Voltage: 12, Fuse: 3}) }, []string{"feeds-not-isolated b c"}},
		{"multi-port tee", func(l *Layout) { l.Tees[0].Ports = 1 }, []string{"tee-overfull b"}},
		{"multi-port tee with room", func(l *Layout) { l.Tees[0].Ports = 2 }, nil},
		{"two supplies, parted", func(l *Layout) {
			l.Power = append(l.Power, Power{At: "c", Voltage: 12, Fuse: 3})
			l.Tees[0].Isolates = true
		}, nil},
		{"meter", func(l *Layout) { l.Readings.Voltage = []Reading{{At: "a", Voltage: 11}, {At: "c", Voltage: 11.8}} }, []string{"voltage-drop reading a"}},
		{"to add", func(l *Layout) { l.Proposed = []Drop{{At: "c", Length: 12, Load: 1}} }, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := sound()
			c.change(l)
			var got []string
			for _, f := range Judge(l).Findings {
				got = append(got, f.Check+" "+f.Subject)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// TestProposed: what a proposed device would break is reported beside the layout, not as a finding of it.
func TestProposed(t *testing.T) {
	l := sound()
	l.Proposed = []Drop{{At: "c", Length: 12, Device: "camera", Load: 20}}
	a := Judge(l)
	if len(a.Findings) > 0 || a.Proposed == nil || a.Proposed.Load != 30 || a.Proposed.Lowest >= *a.Lowest.Volts {
		t.Fatalf("%+v, findings %v", a.Proposed, a.Findings)
	}
	if f := a.Proposed.Findings; len(f) != 2 || f[0].Check != "drop-cable-too-long" || f[1].Check != "voltage-drop" {
		t.Errorf("would break %+v", f)
	}
	if len(l.Tees) != 1 || len(l.Tees[0].Drops) != 2 {
		t.Error("the layout was changed")
	}
}

// bus is a network with devices.
func bus(devices ...boat.Device) *report.Report { return report.New(busState(devices...), nil) }

func busState(devices ...boat.Device) *boat.State {
	s := &boat.State{Networks: []boat.Network{{ID: "can0", Kind: event.NMEA2000, Frames: 9}, {ID: "line", Kind: event.NMEA0183, Frames: 9}}}
	for _, d := range devices {
		d.Network = "can0"
		s.Devices = append(s.Devices, d)
	}
	s.FindUnits(nil, 0)
	return s
}

func TestOn(t *testing.T) {
	two := bus()
	two.Networks = append(two.Networks, report.Network{ID: "can1", Kind: event.NMEA2000, Frames: 1})
	away := bus()
	away.Networks[0].Live = &boat.Network{DownSince: event.At(time.Unix(1, 0))}
	of := func(id, name string) *report.Report {
		r := bus()
		r.Boat = boat.Identity{ID: id, Name: name}
		return r
	}
	for _, c := range []struct {
		name    string
		network string
		report  *report.Report
		want    string
		problem string
	}{
		{"the only one", "", bus(), "can0", ""},
		{"named", "can1", two, "can1", ""},
		{"several", "", two, "", "there are 2 networks: write which one it is the plan of, network: can0 for one"},
		{"a line is none", "line", bus(), "", `network "line" was not received: write one of can0`},
		{"none", "", &report.Report{}, "", "no NMEA 2000 network was received"},
		{"no traffic", "", &report.Report{Networks: []report.Network{{ID: "can0", Kind: event.NMEA2000}}}, "", "nothing is received on can0"},
		{"adapter away", "", away, "", "nothing is received on can0"},
		{"another boat", "", of("swift", "Swift"), "", "the layout is of Wagtail, and the report of Swift"},
		{"this boat by name", "", of("w1", "Wagtail"), "can0", ""},
		{"this boat by id", "", of("wagtail", ""), "can0", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := sound()
			l.Boat, l.Network = "Wagtail", c.network
			a := NewPlan(l).Now(c.report)
			if a.Problem != c.problem || c.want != "" && a.Network != c.want || (a.Live == nil) != (c.problem != "") {
				t.Errorf("network %q, problem %q", a.Network, a.Problem)
			}
		})
	}
}

// TestAnswers: which device is missing, which is extra, and what cannot be decided.
func TestAnswers(t *testing.T) {
	load := uint8(8)
	head := boat.Device{ID: "00000000000000A1", State: boat.Present, Role: boat.RoleDisplay, Product: &boat.Product{Model: "LF9 display", LoadEquivalency: &load}}
	mute := boat.Device{ID: "00000000000000A2", State: boat.Present, Role: boat.RoleDisplay}
	depth := boat.Device{ID: "00000000000000A3", State: boat.Present, Role: boat.RoleDepth, Product: &boat.Product{Model: "SD2 sounder"}}
	radio := boat.Device{ID: "00000000000000A4", State: boat.Present, Role: boat.RoleRadio, Product: &boat.Product{Model: "VR1 radio"}}
	claim := boat.Device{ID: "00000000000000A5", State: boat.Present, Role: boat.RoleOther}
	old := head
	old.ID, old.State = "00000000000000A0", boat.Gone
	silent := depth
	silent.State = boat.Silent
	for _, c := range []struct {
		name    string
		devices []boat.Device
		live    []string // how the network differs from the plan
		found   []string
	}{
		{"as planned", []boat.Device{head, depth}, nil, nil},
		{"model not told yet", []boat.Device{mute, depth}, nil, nil},
		{"sounder not there", []boat.Device{head}, []string{"missing: sounder"}, []string{"missing layout b sounder"}},
		{"perhaps it is the one that says nothing", []boat.Device{head, claim},
			[]string{"missing: sounder", "unidentified: device 00000000000000A5"}, nil},
		{"one too many", []boat.Device{head, depth, radio}, []string{"extra: VR1 radio 00000000000000A4"}, []string{"new-device layout 00000000000000A4"}},
		{"silent is told by itself", []boat.Device{head, silent}, []string{"missing: sounder (silent)"}, nil},
		{"exchanged for its like", []boat.Device{old, head, depth}, nil, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := NewPlan(sound()).Now(bus(c.devices...))
			var live []string
			for _, of := range []struct {
				kind  string
				names []string
			}{{"missing", a.Live.Missing}, {"extra", a.Live.Extra}, {"added", a.Live.Added}, {"unidentified", a.Live.Unidentified}, {"not looked for", a.Live.NotLookedFor}} {
				for _, name := range of.names {
					live = append(live, of.kind+": "+name)
				}
			}
			if diff := cmp.Diff(c.live, live); diff != "" {
				t.Error(diff)
			}
			var found []string
			for _, f := range a.Findings {
				found = append(found, f.Check+" "+f.Subject)
			}
			if diff := cmp.Diff(c.found, found); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// TestDeclaredLoads: what devices declare can break what the plan held.
func TestDeclaredLoads(t *testing.T) {
	l := sound()
	l.Segments[0].Length, l.Power[0].At = 20, "a"
	l.Tees[0].Drops[0].Load = 4
	load := uint8(14)
	a := NewPlan(l).Now(bus(boat.Device{ID: "00000000000000A1", State: boat.Present, Role: boat.RoleDisplay, Product: &boat.Product{Model: "LF9 display", LoadEquivalency: &load}},
		boat.Device{ID: "00000000000000A3", State: boat.Present, Role: boat.RoleDepth}))
	var found []string
	for _, f := range a.Findings {
		found = append(found, f.Check+" "+f.Subject)
	}
	if diff := cmp.Diff([]string{"load-too-high declared", "voltage-drop spread now"}, found); diff != "" {
		t.Error(diff)
	}
	if a.Live.Spread.Value <= a.Spread.Value || a.Live.Unsaid != 1 {
		t.Errorf("%+v", a.Live)
	}
}

// TestTalkersCover: what NMEA 0183 talkers give counts for the data that the boat must have, marked as theirs, and a
// snapshot gives the same as the live network.
func TestTalkersCover(t *testing.T) {
	const rmc, void, mtw, mwv, vtg = "$GPRMC,120000,A,5400.000,N,01000.000,E,5.0,90.0,010526,,*25", "$GPRMC,120000,V,,,,,,,010526,,*39",
		"$IIMTW,17.5,C*1A", "$WIMWV,045.0,R,10.0,N,A*28", "$GPVTG,90.0,T,,M,5.0,N,9.3,K*5F"
	depth := []byte{0, 0xD2, 4, 0, 0, 0xFF, 0x7F, 0xFF} // 12.34 m, PGN 128267
	for _, c := range []struct {
		name     string
		want     Coverage
		lines    []string
		sounders int
		state    string
		from     []string
		talkers  []string
		note     string
	}{
		{"by a talker alone", Coverage{Quantity: "position"}, []string{rmc}, 0, "covered", []string{"NMEA 0183 GP on ttyUSB0"}, []string{"ttyUSB0/GP"}, "on NMEA 0183 alone: see that it reaches the displays"},
		{"by the talker that was planned", Coverage{"water temperature", "ttyUSB0/II"}, []string{mtw}, 0, "covered", []string{"NMEA 0183 II on ttyUSB0"}, []string{"ttyUSB0/II"}, "on NMEA 0183 alone: see that it reaches the displays"},
		{"by another talker", Coverage{"wind", "ttyUSB0/II"}, []string{mwv}, 0, "elsewhere", []string{"NMEA 0183 WI on ttyUSB0"}, []string{"ttyUSB0/WI"}, "planned from ttyUSB0/II"},
		{"without a fix", Coverage{Quantity: "position"}, []string{void}, 0, "missing", nil, nil, ""},
		{"of a device, which the talker may feed", Coverage{Quantity: "depth", From: "sounder"}, []string{"$SDDBT,40.5,f,12.3,M,6.7,F*3A"}, 1, "covered",
			[]string{"device at address 40", "NMEA 0183 SD on ttyUSB0"}, []string{"ttyUSB0/SD"}, ""},
		{"of two devices", Coverage{Quantity: "depth"}, nil, 2, "several", []string{"device at address 40", "device at address 41"}, nil, "choose one source on every display"},
		{"of two talkers", Coverage{Quantity: "course and speed over ground"}, []string{rmc, strings.Replace(vtg, "GP", "II", 1)}, 0, "several",
			[]string{"NMEA 0183 GP on ttyUSB0", "NMEA 0183 II on ttyUSB0"}, []string{"ttyUSB0/GP", "ttyUSB0/II"}, "choose one source on every display"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, now := boat.New(boat.Options{}), event.Time(1_777_636_800_000_000_000)
			b.Feed(event.Event{Time: now, Kind: event.KindNetwork, Info: &event.Network{ID: "can0", Kind: event.NMEA2000}})
			b.Feed(event.Event{Time: now, Kind: event.KindNetwork, Network: 1, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
			for range 10 {
				now = now.Add(time.Second)
				b.Feed(event.Event{Time: now, Kind: event.KindFrame, Frame: frame(130824, 99, depth)}) // one device is received
				for i := range c.sounders {
					b.Feed(event.Event{Time: now, Kind: event.KindFrame, Frame: frame(128267, uint8(40+i), depth)})
				}
				for _, line := range c.lines {
					b.Feed(event.Event{Time: now, Kind: event.KindLine, Network: 1, Line: []byte(sealed(line))})
				}
			}
			l := sound()
			l.Coverage = []Coverage{c.want}
			live := report.New(b.State(), nil)
			text, err := json.Marshal(live)
			if err != nil {
				t.Fatal(err)
			}
			var kept report.Report
			if err := json.Unmarshal(text, &kept); err != nil {
				t.Fatal(err)
			}
			kept.Complete()
			for name, r := range map[string]*report.Report{"live": live, "kept": &kept} {
				a := Judge(l)
				if err := a.Against(l, r); err != nil {
					t.Fatal(err)
				}
				want := []Covered{{Quantity: c.want.Quantity, State: c.state, From: c.from, Talkers: c.talkers, Note: c.note}}
				if diff := cmp.Diff(want, a.Coverage); diff != "" {
					t.Errorf("%s: %s", name, diff)
				}
				missing := slices.ContainsFunc(a.Findings, func(f Finding) bool { return f.Subject == "layout quantity "+c.want.Quantity })
				if missing != (c.state == "missing") {
					t.Errorf("%s: found missing: %v", name, missing)
				}
			}
		})
	}
}

func frame(number uint32, source uint8, data []byte) can.Frame {
	f := can.Frame{ID: uint32(pgn.MakeID(6, number, source, pgn.Global)), IsExtended: true, Length: uint8(len(data))}
	copy(f.Data[:], data)
	return f
}

// sealed gives a sentence the right checksum.
func sealed(line string) string {
	body, _, _ := strings.Cut(line[1:], "*")
	sum := byte(0)
	for i := range len(body) {
		sum ^= body[i]
	}
	return fmt.Sprintf("$%s*%02X", body, sum)
}

// TestRules: a layout's findings are those of its checks, held as long as each asks for, and nothing of one report
// remains in the next.
func TestRules(t *testing.T) {
	l := sound()
	l.Terminators = []string{"a"}
	l.Coverage = []Coverage{{Quantity: "depth"}}
	rules := Rules([]*Plan{NewPlan(l)})
	if !slices.IsSortedFunc(rules, func(a, b check.Rule) int { return strings.Compare(a.ID, b.ID) }) || Rules(nil) != nil {
		t.Error("the rules are not sorted, or no plan has some")
	}
	tell := func(r *boat.State) (got []string) {
		for _, f := range check.Judge(rules, r, 1e15, nil).Findings {
			got = append(got, f.Check+" "+f.Subject+" "+f.Hold.String())
		}
		return got
	}
	settled := func(s *boat.State) *boat.State {
		for i := range s.Networks {
			s.Networks[i].Start = 1e14
		}
		return s
	}
	load := uint8(8)
	head := boat.Device{ID: "00000000000000A1", State: boat.Present, Role: boat.RoleDisplay, Product: &boat.Product{Model: "LF9 display", LoadEquivalency: &load}}
	want := []string{"missing layout b sounder 5m0s", "missing layout quantity depth 5m0s", "terminator end c 0s"}
	if diff := cmp.Diff(want, tell(settled(busState(head)))); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(want[2:], tell(&boat.State{})); diff != "" {
		t.Error(diff)
	}
	s := check.DefaultSettings()
	s.Terminator.Off = true
	if f := check.Judge(rules, &boat.State{}, 0, &s).Findings; len(f) > 0 {
		t.Errorf("switched off: %v", f)
	}
}
