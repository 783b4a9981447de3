package nmea0183_test

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"slices"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/nmea0183"
	"muster/internal/sim"
	"muster/internal/transport"
)

const scenario = `
name: lines
devices:
  - id: ais
    manufacturer: 2002
    class: 60
    function: 195
    address: 15
    sends:
      - {pgn: 129038, every: 100ms}
      - {pgn: 129039, every: 100ms}
lines:
  - id: gnss
    baud: 38400
    sentences:
      - {talker: GP, formatter: RMC}
      - {talker: GP, formatter: GGA}
  - id: ais
    baud: 38400
    sentences:
      - {talker: AI, formatter: VDM}
      - {talker: AI, formatter: VDO, every: 3s}
`

// heard is what this package reads from the lines of the simulated boat, and of AIS targets what the backbone gives
// beside it.
type heard struct {
	lat, lon, course, speed map[int64]float64  // by millisecond of UTC, from RMC
	types                   map[uint32][]uint8 // AIS: message types by MMSI
	static                  map[uint32]static  // AIS: from types 5 and 24
	places                  map[uint32][]place // AIS: of each position report in order
}

type static struct {
	name, callSign string
	shipType       uint8
}

type place struct{ lat, lon float64 }

// hears takes an AIS message; latest is where the backbone places the vessels.
func (h *heard) hears(m *nmea0183.AIS, latest map[uint32]place) {
	if !slices.Contains(h.types[m.MMSI], m.Type) {
		h.types[m.MMSI] = append(h.types[m.MMSI], m.Type)
	}
	if m.Type == 1 || m.Type == 18 {
		h.places[m.MMSI] = append(h.places[m.MMSI], latest[m.MMSI])
		return
	}
	x := h.static[m.MMSI]
	if name := m.Name.String(); name != "" {
		x.name = name
	}
	if call := m.CallSign.String(); call != "" {
		x.callSign = call
	}
	if m.ShipType != 0 {
		x.shipType = m.ShipType
	}
	h.static[m.MMSI] = x
}

// simulated are a minute and a half of the boat's sentences for position and AIS.
func simulated(t *testing.T) (lines [][]byte, h heard) {
	t.Helper()
	sc, err := sim.Parse(t.Context(), "lines", []byte(scenario))
	if err != nil {
		t.Fatal(err)
	}
	h = heard{map[int64]float64{}, map[int64]float64{}, map[int64]float64{}, map[int64]float64{}, map[uint32][]uint8{}, map[uint32]static{}, map[uint32][]place{}}
	latest := map[uint32]place{}
	assembler := transport.NewAssembler(transport.Options{})
	boat := sim.New(sc, 1, event.At(time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)))
	end := boat.Now().Add(90 * time.Second)
	var (
		events   [64]event.Event
		s        nmea0183.Sentence
		j        nmea0183.Joiner
		m        nmea0183.AIS
		readings []nmea0183.Reading
	)
	for boat.Now() < end {
		n, err := boat.Read(events[:])
		if err != nil {
			t.Fatal(err)
		}
		for _, ev := range events[:n] {
			if ev.Kind != event.KindLine {
				if p := assembler.Feed(&ev); p != nil && (p.PGN() == 129038 || p.PGN() == 129039) { // MMSI, longitude, latitude: the message set
					degrees := func(at int) float64 { return float64(int32(binary.LittleEndian.Uint32(p.Data[at:]))) * 1e-7 }
					latest[binary.LittleEndian.Uint32(p.Data[1:])] = place{degrees(9), degrees(5)}
				}
				continue
			}
			if _, err := nmea0183.Parse(ev.Line, &s); err != nil {
				t.Fatalf("%q: %v", ev.Line, err)
			}
			switch string(s.Formatter()) {
			case "RMC":
				readings, err = nmea0183.Read(&s, readings[:0])
				if err != nil {
					t.Fatal(err)
				}
				h.note(readings)
			case "VDM", "VDO":
				done, err := j.Add(&s, ev.Time, &m)
				if err != nil {
					t.Fatalf("%q: %v", ev.Line, err)
				}
				if done {
					h.hears(&m, latest)
				}
			case "GGA":
			default:
				continue
			}
			lines = append(lines, append(append([]byte{}, ev.Line...), "\r\n"...))
		}
	}
	return lines, h
}

func (h *heard) note(readings []nmea0183.Reading) {
	at := int64(0)
	for _, r := range readings {
		if r.Quantity == nmea0183.Time {
			at = int64(math.Round(r.Value * 1000))
		}
	}
	for _, r := range readings {
		switch {
		case at == 0 || !r.Available:
		case r.Quantity == nmea0183.Position:
			h.lat[at], h.lon[at] = r.Value, r.Longitude
		case r.Quantity == nmea0183.CourseOverGround:
			h.course[at] = r.Value * 180 / math.Pi
		case r.Quantity == nmea0183.SpeedOverGround:
			h.speed[at] = r.Value
		}
	}
}

// gpsd starts Debian's gpsd on a TCP source of ours. What is written to feed it reads; client is its JSON of that, watched.
func gpsd(t *testing.T) (feed, client net.Conn) {
	t.Helper()
	program, err := exec.LookPath("gpsd")
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") != "1" {
			t.Skipf("gpsd is not installed: %v", err)
		}
		t.Fatal(err)
	}
	source, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	port := fmt.Sprint(hosttest.Port(t))
	cmd := exec.Command(program, "-N", "-n", "-S", port, "tcp://"+source.Addr().String())
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	if feed, err = source.Accept(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { feed.Close() })
	for range 3600 {
		if client, err = net.Dial("tcp", "127.0.0.1:"+port); err == nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { client.Close() })
	fmt.Fprintln(client, `?WATCH={"enable":true,"json":true}`)
	_ = client.SetReadDeadline(time.Now().Add(5 * time.Minute)) // so that a gpsd that sends nothing ends the test
	return feed, client
}

// play gives gpsd the lines, a pause after each, over and over until the test ends: what it reads before it has seen
// a watcher it sends to none, and a burst it takes for one report.
func play(feed net.Conn, lines [][]byte, pause time.Duration) {
	for {
		for _, l := range lines {
			if _, err := feed.Write(l); err != nil {
				return
			}
			time.Sleep(pause)
		}
	}
}

// gpsd reads the simulated boat's lines over TCP and finds the position, course, speed and AIS vessels that this package finds, and
// the targets where the backbone's AIS messages have them.
func TestAgainstGPSD(t *testing.T) {
	lines, want := simulated(t)
	feed, client := gpsd(t)
	go play(feed, lines, 10*time.Millisecond)

	fixes, reports, told := 0, map[uint32]int{}, map[uint32]static{}
	enough := func() bool {
		for mmsi := range want.types {
			if reports[mmsi] < 2 || told[mmsi] == (static{}) {
				return false
			}
		}
		return fixes >= 20
	}
	sc := bufio.NewScanner(client)
	sc.Buffer(nil, 1<<20)
	for !enough() && sc.Scan() {
		var m struct {
			Class                  string
			Time                   time.Time
			Mode                   int
			Lat, Lon, Track, Speed *float64
			MMSI                   uint32
			Type                   uint8
			ShipName, CallSign     string
			ShipType               uint8
		}
		if err := json.Unmarshal(sc.Bytes(), &m); err != nil {
			continue // other classes use other types
		}
		switch m.Class {
		case "TPV":
			at := m.Time.UnixMilli()
			lat, ok := want.lat[at]
			if m.Mode < 2 || !ok || m.Lat == nil || m.Track == nil || m.Speed == nil {
				continue
			}
			fixes++
			near(t, "latitude", *m.Lat, lat, 2e-6)
			near(t, "longitude", *m.Lon, want.lon[at], 2e-6)
			near(t, "course", *m.Track, want.course[at], 0.06)
			near(t, "speed", *m.Speed, want.speed[at], 0.02)
		case "AIS":
			if !slices.Contains(want.types[m.MMSI], m.Type) {
				t.Errorf("gpsd hears type %d of %d, we %d", m.Type, m.MMSI, want.types[m.MMSI])
			}
			if m.Type == 5 || m.Type == 24 {
				told[m.MMSI] = static{m.ShipName, m.CallSign, m.ShipType}
				continue
			}
			n := reports[m.MMSI]
			reports[m.MMSI]++
			if at := want.places[m.MMSI][n]; at != (place{}) { // our own vessel is not on the backbone
				near(t, "latitude of a target", *m.Lat/600000, at.lat, 3e-5)
				near(t, "longitude of a target", *m.Lon/600000, at.lon, 5e-5)
			}
		}
	}
	if !enough() {
		t.Errorf("%d fixes, position reports %v, static data %v of %v: %v", fixes, reports, told, want.types, sc.Err())
	}
	for mmsi, ours := range want.static {
		if told[mmsi] != ours {
			t.Errorf("static data of %d: gpsd %+v, we %+v", mmsi, told[mmsi], ours)
		}
	}
	t.Logf("%d fixes, %d vessels compared", fixes, len(want.static))
}

func near(t *testing.T, what string, gpsd, ours, tolerance float64) {
	t.Helper()
	if !(math.Abs(gpsd-ours) <= tolerance) {
		t.Errorf("%s: gpsd %v, we %v", what, gpsd, ours)
	}
}
