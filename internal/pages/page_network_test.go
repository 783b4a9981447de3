package pages

import (
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/ui/webtest"
)

// aboard is the sample with a receiver on the backbone, and a talker that gives the position too.
func aboard(t testing.TB) *report.Report {
	t.Helper()
	r := webtest.Sample(t)
	yes, no := true, false
	now := r.TakenAt
	r.Devices = append(r.Devices, report.Device{ID: "C0788C00FA400100", Network: "can0", Address: new(uint8(40)), State: boat.Present, Role: boat.RolePosition,
		Product: &boat.Product{Model: "Gannet GP1 receiver"}, LastSeen: now,
		Transmits: []report.Transmit{{PGN: 129025, Count: 900, Available: &yes, Live: &boat.Transmit{Last: now}, Interval: &boat.Interval{Mean: 100, Min: 90, Max: 110, SD: 1}}}})
	r.Networks = append(r.Networks, report.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 38400, Frames: 900, Load: &boat.Load{Mean: .4, Peak: .9}, Faults: boat.Faults{ChecksumErrors: 7, GarbledLines: 3},
		Live: &boat.Network{LoadRecent: .5, Line: boat.LineState{Condition: "noisy"}, Recent: boat.Faults{ChecksumErrors: 2}}})
	stopped := now.Add(-2 * time.Minute) // the wind has stopped
	r.Talkers[0].Live = &boat.Talker{Last: stopped}
	r.Talkers[0].Sentences[0].Live = &boat.Sentence{Last: stopped}
	r.Talkers = append(r.Talkers,
		report.Talker{Network: "ttyUSB0", Talker: "GP", Live: &boat.Talker{Last: now},
			Identity:  &boat.TalkerIdentity{Model: "Gannet GP2", Software: "1.04", Vendor: "GAN", Serial: "700042", Hardware: "B", UniqueID: "GP2-0042", DeviceType: "GP"},
			Heartbeat: &boat.Heartbeat{At: now.Add(-9 * time.Second), Normal: &no, IntervalSec: 30, Lost: 2},
			Texts:     []boat.Text{{At: now, ID: "25", Text: "ANTENNA SHORT"}},
			Sentences: []report.Sentence{
				{Formatter: "RMC", Count: 300, Interval: &boat.Interval{Mean: 1003, Min: 900, Max: 1200, SD: 40}, ChecksumErrors: 7,
					Gives: []string{"position", "course and speed over ground", "time"},
					Live: &boat.Sentence{Last: now, Recent: time.Second, Nominal: time.Second,
						Latest: sealAgain("$GPRMC,081530.00,A,5003.00,N,00453.00,W,5.2,098.0,020526,,,A*00")}},
				{Formatter: "ZDA", Count: 20, Live: &boat.Sentence{Last: now.Add(-5 * time.Minute)}}}},
		report.Talker{Network: "ttyUSB0", Talker: "AI", Live: &boat.Talker{Last: now}, Unanswered: "no answer, 3 requests",
			Sentences: []report.Sentence{{Formatter: "VDM", Count: 100, Live: &boat.Sentence{Last: now}, Gives: []string{"AIS"}}, {Formatter: "VDO", Count: 9, Live: &boat.Sentence{Last: now}}},
			AIS: &boat.AIS{Own: &boat.AISVessel{MMSI: 2573, Static: true, CallSign: "QX12"}, Targets: 12, Lost: 4,
				Messages: []boat.AISCount{{Type: 1, Count: 70}, {Type: 5, Count: 3}, {Type: 18, Count: 20}, {Type: 21, Count: 7}}}})
	return r
}

// words is the text of a page, each run of white space one blank.
func words(page string) string {
	return strings.Join(strings.Fields(html.UnescapeString(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(page, " "))), " ")
}

// stateOf is what the report's suppliers are made of.
func stateOf(r *report.Report) *boat.State {
	s := &boat.State{TakenAt: r.TakenAt}
	for _, d := range r.Devices {
		as := boat.Device{ID: d.ID, Network: d.Network, Address: d.Address, State: d.State, Own: d.Own, Product: d.Product}
		for _, t := range d.Transmits {
			as.Transmits = append(as.Transmits, boat.Transmit{PGN: t.PGN, Selector: t.Selector, Available: t.Available, Measures: t.Measures})
			if t.Live != nil {
				as.Transmits[len(as.Transmits)-1].Last = t.Live.Last
			}
		}
		s.Devices = append(s.Devices, as)
	}
	for _, t := range r.Talkers {
		as := boat.Talker{Network: t.Network, Talker: t.Talker, Identity: t.Identity, Last: t.Last()}
		for _, x := range t.Sentences {
			as.Sentences = append(as.Sentences, boat.Sentence{Formatter: x.Formatter, Gives: x.Gives})
		}
		s.Talkers = append(s.Talkers, as)
	}
	return s
}

// TestSuppliers: who supplies what, in words, by the rule of the check multiple-sources.
func TestSuppliers(t *testing.T) {
	r := aboard(t)
	r.Talkers = append(r.Talkers, report.Talker{Network: "ttyUSB0", Talker: "TI", Live: &boat.Talker{Last: r.TakenAt}, Sentences: []report.Sentence{{Formatter: "ROT", Count: 9, Live: &boat.Sentence{Last: r.TakenAt}}}})
	s := serve(t, api.Options{Reports: webtest.NewReports(r)})
	_, page := webtest.Get(t, s.URL()+"/network")
	text := words(page)
	for _, want := range []string{
		"position 2 sources compete Gannet GP1 receiver (40) can0 · 129025 every 100 ms Gannet GP2 (GP on ttyUSB0) ttyUSB0 · RMC every 1 s",
		"wind silent WI on wind wind · MWV every 500 ms · silent",
		"course and speed over ground one source Gannet GP2 (GP on ttyUSB0) ttyUSB0 · RMC every 1 s",
		"AIS one source AI on ttyUSB0 ttyUSB0 · VDM",
		"rudder none",
		"rate of turn sent without data TI on ttyUSB0 ttyUSB0 · ROT · without data",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q:\n%s", want, text[strings.Index(text, "Data sources"):])
		}
	}
	competing := func(r *report.Report) (page, found []string) {
		for _, q := range boat.Quantities() {
			if supplies(r, q).State == "two" {
				page = append(page, q.Name)
			}
		}
		for _, f := range check.Judge(check.All(), stateOf(r), r.TakenAt, nil).Findings {
			if f.Check == "multiple-sources" {
				found = append(found, f.Evidence["quantity"].(string))
			}
		}
		slices.Sort(page)
		slices.Sort(found)
		return page, slices.Compact(found)
	}
	if page, found := competing(r); !slices.Equal(page, found) || !slices.Equal(page, []string{"position"}) {
		t.Errorf("the page lets %v compete, the check %v", page, found)
	}

	r = aboard(t)
	r.Talkers = nil
	second := r.Devices[len(r.Devices)-1]
	second.ID, second.Unit, second.Network = "C0788C00FA400101", "", "can1"
	r.Devices = append(r.Devices, second)
	if got := supplies(r, boat.Quantities()[0]); got.State != "one" || got.Words != "one source on each of 2 networks" || len(got.From) != 2 {
		t.Errorf("two backbones: %+v", got)
	}
	third := second
	third.ID = "C0788C00FA400102"
	r.Devices = append(r.Devices, third)
	if got := supplies(r, boat.Quantities()[0]); got.State != "two" || got.Words != "2 sources compete on can1" || len(got.From) != 3 {
		t.Errorf("two on one of two backbones: %+v", got)
	}
	if page, found := competing(r); !slices.Equal(page, found) {
		t.Errorf("the page lets %v compete, the check %v", page, found)
	}
}

// TestLoadLimits: the load is marked at the thresholds in force, and where a check is off that is shown.
func TestLoadLimits(t *testing.T) {
	inForce := check.DefaultSettings()
	inForce.BusLoadHigh.Warning, inForce.BusLoadHigh.Critical = .55, .6
	inForce.LineSaturated.Warning, inForce.LineSaturated.Off = .33, true
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t)), Checks: func() *check.Settings { return &inForce }})
	_, page := webtest.Get(t, s.URL()+"/network")
	for _, want := range []string{"Dashed lines: high at 55 %, overloaded at 60 %. Triangles", "Dashed lines: high at 33 %, overloaded at 95 %, but the check line-saturated is off in the config. Triangles"} {
		if !strings.Contains(words(page), want) {
			t.Errorf("the page does not say %q:\n%s", want, words(page))
		}
	}
	var plot strings.Builder
	if err := loadPlot("can0", []api.Minute{{At: 0, Load: .4}}, .55, .6).Render(&plot); err != nil {
		t.Fatal(err)
	}
	if text := plot.String(); !strings.Contains(text, ">60 %<") || !strings.Contains(text, ">100 %<") || strings.Contains(text, ">55 %<") { // too near to 60
		t.Errorf("the plot's scale: %s", text)
	}
}

// TestTalkers: all that a talker reported is on the network page and on its own.
func TestTalkers(t *testing.T) {
	r := aboard(t)
	r.Alerts = append(r.Alerts, alert.Alert{ID: "sources-disagree:position", Check: "sources-disagree", Severity: check.Warning, State: alert.StatusOpen,
		Summary: "Sources of position are 1112 m apart", Evidence: map[string]any{"odd": "ttyUSB0/GP", "values": map[string]any{"ttyUSB0/GP": []float64{50.057849999999995, -4.5}}}})
	s := serve(t, api.Options{Reports: webtest.NewReports(r)})
	_, page := webtest.Get(t, s.URL()+"/network")
	network := words(page)
	for _, want := range []string{"ttyUSB0 NMEA 0183, 38400 baud", "7 checksum errors, 2 in the last minute", "3 garbled lines",
		"38400 baud; noisy: many sentences are damaged", "Bus load per minute: now 50.0 %, mean 40.0 %, peak 90.0 % in one second. Dashed lines: high at 80 %, overloaded at 95 %",
		"Gannet GP2 (GP on ttyUSB0) online 2 sentence types, 1 per second; 7 with a wrong checksum", "AI on ttyUSB0 online 2 sentence types; 12 AIS targets", "WI on wind silent"} {
		if !strings.Contains(network, want) {
			t.Errorf("the network page does not say %q:\n%s", want, network)
		}
	}
	_, page = webtest.Get(t, s.URL()+"/devices/ttyUSB0%2FGP")
	own := words(page)
	told := []string{"model Gannet GP2", "software 1.04", "hardware B", "serial 700042", "manufacturer GAN", "unique id GP2-0042", "device type GP",
		"reports an internal fault : heartbeat 9 s ago, due every 30 s, 2 missed", "RMC time, time of day, position", "7 with a wrong checksum", "every 1 s",
		"ZDA time 20× · stopped received once", "ANTENNA SHORT no. 25"}
	for _, want := range append(told, "online · position · NMEA 0183 talker on ttyUSB0 at 38400 baud · last heard just now", "Sources of position are 1112 m apart",
		"differs from all others Gannet GP2 (GP on ttyUSB0)", "(50.05785, -4.5)",
		"$GPRMC,081530.00,A,5003.00,N,00453.00,W,5.2,098.0,020526,,,A*", "position 50° 03.0000′ N, 004° 53.0000′ W speed over ground 5.20 kn course over ground, true 98.0°") {
		if !strings.Contains(own, want) {
			t.Errorf("its page does not say %q:\n%s", want, own)
		}
	}
	for _, want := range told {
		if !strings.Contains(network, want) {
			t.Errorf("the network page does not say %q", want)
		}
	}
	if !strings.Contains(page, `aria-label="mean 1 s, from 900 ms to 1.2 s, published 1 s"`) {
		t.Error("its page draws no interval")
	}
	if resp, text := webtest.Get(t, s.URL()+api.Prefix+"/devices/ttyUSB0%2FGP"); resp.StatusCode != 200 || !strings.Contains(text, `"model":"Gannet GP2"`) {
		t.Errorf("the API gives %s %s", resp.Status, text)
	}
	if resp, text := webtest.Get(t, s.URL()+api.Prefix+"/devices/ttyUSB0%2FAI"); resp.StatusCode != 404 {
		t.Errorf("a talker that told nothing of itself: %s %s", resp.Status, text)
	}
	_, page = webtest.Get(t, s.URL()+"/devices/ttyUSB0%2FAI")
	text := words(page)
	for _, want := range []string{"Model and software not reported (VER sentence): no answer, 3 requests.", "own MMSI 000002573", "own name not set", "own call sign QX12", "received 12 AIS targets",
		"class A vessels 73 messages", "class B vessels 20 messages", "aids to navigation 7 messages", "incomplete 4 messages"} {
		if !strings.Contains(text, want) {
			t.Errorf("the AIS unit's page does not say %q:\n%s", want, text)
		}
	}
}

// TestLinks follows every link of the pages, and holds each part of a page that a link names to be there.
func TestLinks(t *testing.T) {
	r := aboard(t)
	r.Alerts[0].Devices = []string{"ttyUSB0/GP", "can0/77"}
	s := serve(t, api.Options{Reports: webtest.NewReports(r)})
	base, err := url.Parse(s.URL() + "/")
	if err != nil {
		t.Fatal(err)
	}
	link := regexp.MustCompile(`(?:href|src)="([^"]*)"`)
	seen, pages := map[string]bool{}, map[string]string{}
	todo := []*url.URL{base}
	for len(todo) > 0 {
		at := todo[0]
		todo = todo[1:]
		if seen[at.String()] {
			continue
		}
		seen[at.String()] = true
		whole := *at
		whole.Fragment = ""
		page, known := pages[whole.String()]
		if !known {
			var resp *http.Response
			if resp, page = webtest.Get(t, whole.String()); resp.StatusCode != http.StatusOK {
				t.Errorf("%s: %s", at, resp.Status)
				continue
			}
			pages[whole.String()] = page
		}
		if at.Fragment != "" && !strings.Contains(html.UnescapeString(page), `id="`+at.Fragment+`"`) {
			t.Errorf("%s has no such part", at)
		}
		if known || strings.HasPrefix(at.Path, "/api/") || strings.HasPrefix(at.Path, "/metrics") || strings.HasPrefix(at.Path, "/static/") {
			continue
		}
		for _, m := range link.FindAllStringSubmatch(page, -1) {
			to, err := at.Parse(html.UnescapeString(m[1]))
			if err != nil || to.Host != base.Host {
				t.Errorf("%s leads to %s: %v", at, m[1], err)
				continue
			}
			todo = append(todo, to)
		}
	}
	for _, path := range []string{"devices/ttyUSB0%2FGP", "devices/can0%2F77", "devices/C0788C00FA400100", "network#talker-ttyUSB0%2FAI"} {
		if !seen[base.String()+path] {
			t.Errorf("no page leads to %s", path)
		}
	}
}

// TestSentenceValues: a sentence is read in the units that people aboard use. Sentences: gpsd NMEA page.
func TestSentenceValues(t *testing.T) {
	for _, tt := range []struct{ in, want string }{
		{"$GPRMC,225446.33,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E,A*2B",
			"time 1994-11-19 22:54:46.330 UTC; position 49° 16.4500′ N, 123° 11.1200′ W; speed over ground 0.50 kn; course over ground, true 54.7°; variation 20.3°"},
		{"$SDDPT,12.34,0.4,200*7B", "depth, transducer 12.34 m"},
		{"$WIMWV,214.8,R,10.0,N,A*2D", "wind angle, apparent 214.8°; wind speed, apparent 10.00 kn"},
		{"$YXMTW,17.9,C*1C", "water temperature 17.9 °C"},
		{"$TIROT,-12.5,A*0B", "rate of turn -12.5°/min"},
		{"$GPTXT,01,01,02,no*00", ""},
		{"$SDDPT,,,*57", ""},
		{"nothing", ""},
		{"", ""},
	} {
		var got []string
		for _, f := range sentenceValues(sealAgain(tt.in)) {
			got = append(got, f.Name+" "+f.Text)
		}
		if text := strings.Join(got, "; "); text != tt.want {
			t.Errorf("%s: %s, want %s", tt.in, text, tt.want)
		}
	}
}

// sealAgain sets the checksum of a sentence right.
func sealAgain(s string) string {
	body, _, ok := strings.Cut(s, "*")
	if !ok {
		return s
	}
	sum := byte(0)
	for _, c := range []byte(body[1:]) {
		sum ^= c
	}
	return fmt.Sprintf("%s*%02X", body, sum)
}

// TestPowerDeclared: the load of devices that do not send is distinguished, as in the comparison with a layout.
func TestPowerDeclared(t *testing.T) {
	r := webtest.Sample(t)
	r.Devices = nil
	for i, d := range []struct {
		state boat.DeviceState
		len   *uint8
	}{{boat.Present, new(uint8(4))}, {boat.Present, new(uint8(2))}, {boat.Silent, new(uint8(3))}, {boat.Gone, new(uint8(1))}, {boat.Present, nil}, {boat.Gone, nil}} {
		r.Devices = append(r.Devices, report.Device{ID: fmt.Sprint(i), Network: "can0", State: d.state, Product: &boat.Product{LoadEquivalency: d.len}})
	}
	_, page := webtest.Get(t, serve(t, api.Options{Reports: webtest.NewReports(r)}).URL()+"/network")
	if want := "6 LEN reported by online devices; 4 LEN more by silent and offline devices; not reported by 1 device."; !strings.Contains(words(page), want) {
		t.Errorf("the page does not say %q", want)
	}
}

// TestDrawnUnits: the drawing of a backbone shows a box once, with the addresses of all its functions, and none that left or was replaced.
func TestDrawnUnits(t *testing.T) {
	r := webtest.Sample(t)
	code, address := uint16(410), uint8(77)
	r.Devices[0].Product.Code = &code
	other := r.Devices[0]
	name := *other.Name
	name.DeviceFunction.Code = 199
	other.ID, other.Name, other.Address = "C0788C00FA200009", &name, &address
	r.Devices = append(r.Devices, other)
	r = webtest.FindUnits(r)
	u := r.Unit(other.ID)
	drawn := func() (list []string) {
		n := shownNetwork{Network: r.Networks[0]}
		n.addDevices(r)
		for _, d := range n.Units {
			if d.ID == u.ID {
				list = append(list, strings.Join(d.addresses, " "))
			}
		}
		return list
	}
	if got := drawn(); len(got) != 1 || got[0] != "2 77" {
		t.Errorf("the unit is drawn with addresses %q", got)
	}
	for _, d := range u.Presences {
		d.Left = true
	}
	if got := drawn(); len(got) != 0 {
		t.Errorf("what was replaced is drawn with addresses %q", got)
	}
}
