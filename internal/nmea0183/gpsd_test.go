package nmea0183_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/sim"
)

const scenario = `
name: lines
lines:
  - id: gnss
    baud: 38400
    sentences:
      - {talker: GP, formatter: RMC}
      - {talker: GP, formatter: GGA}
  - id: ais
    baud: 38400
    sentences:
      - {talker: AI, formatter: VDM, every: 2s}
`

// heard is what this package reads from the lines of the simulated boat.
type heard struct {
	lat, lon, course, speed map[int64]float64 // by millisecond of UTC, from RMC
	types                   map[uint32]uint8  // AIS: message type by MMSI
}

// simulated are a minute and a half of the boat's sentences for position and AIS.
func simulated(t *testing.T) (lines [][]byte, h heard) {
	t.Helper()
	sc, err := sim.Parse("lines", []byte(scenario))
	if err != nil {
		t.Fatal(err)
	}
	h = heard{map[int64]float64{}, map[int64]float64{}, map[int64]float64{}, map[int64]float64{}, map[uint32]uint8{}}
	boat := sim.New(sc, 1, event.At(time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)))
	end := boat.Now().Add(90 * time.Second)
	var (
		events   [64]event.Event
		s        nmea0183.Sentence
		v        nmea0183.Values
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
				continue
			}
			if _, err := nmea0183.Parse(ev.Line, &s); err != nil {
				t.Fatalf("%q: %v", ev.Line, err)
			}
			switch string(s.Formatter()) {
			case "RMC":
				readings, err = v.Read(&s, readings[:0])
				if err != nil {
					t.Fatal(err)
				}
				h.note(readings)
			case "VDM":
				if done, err := j.Add(&s, ev.Time, &m); err != nil || !done {
					t.Fatalf("%q: %v %v", ev.Line, done, err)
				}
				h.types[m.MMSI] = m.Type
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

// gpsd (Debian) reads the simulated boat's lines over TCP and finds the position, course, speed and AIS targets that this package finds.
func TestAgainstGPSD(t *testing.T) {
	program, err := exec.LookPath("gpsd")
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") != "1" {
			t.Skipf("gpsd is not installed: %v", err)
		}
		t.Fatal(err)
	}
	lines, want := simulated(t)
	source, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	probe, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(probe.Addr().String())
	probe.Close()
	cmd := exec.Command(program, "-N", "-n", "-S", port, "tcp://"+source.Addr().String())
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}()
	feed, err := source.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer feed.Close()
	var client net.Conn
	for range 100 {
		if client, err = net.Dial("tcp", "127.0.0.1:"+port); err == nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	fmt.Fprintln(client, `?WATCH={"enable":true,"json":true}`)
	go func() {
		for _, l := range lines {
			if _, err := feed.Write(l); err != nil {
				return
			}
			time.Sleep(10 * time.Millisecond) // gpsd takes a burst for one report
		}
	}()

	_ = client.SetReadDeadline(time.Now().Add(time.Minute)) // so that a gpsd that says nothing ends the test
	fixes, targets := 0, map[uint32]bool{}
	sc := bufio.NewScanner(client)
	sc.Buffer(nil, 1<<20)
	for (fixes < 20 || len(targets) < len(want.types)) && sc.Scan() {
		var m struct {
			Class                  string
			Time                   time.Time
			Mode                   int
			Lat, Lon, Track, Speed *float64
			MMSI                   uint32
			Type                   uint8
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
			if kind, ok := want.types[m.MMSI]; !ok || kind != m.Type {
				t.Errorf("gpsd hears %d with type %d, we %d", m.MMSI, m.Type, kind)
			}
			targets[m.MMSI] = true
		}
	}
	if fixes < 20 || len(targets) < len(want.types) || len(want.types) == 0 {
		t.Errorf("%d fixes compared, %d of %d AIS targets: %v", fixes, len(targets), len(want.types), sc.Err())
	}
	t.Logf("%d fixes and %d AIS targets compared", fixes, len(targets))
}

func near(t *testing.T, what string, gpsd, ours, tolerance float64) {
	t.Helper()
	if !(math.Abs(gpsd-ours) <= tolerance) {
		t.Errorf("%s: gpsd %v, we %v", what, gpsd, ours)
	}
}
