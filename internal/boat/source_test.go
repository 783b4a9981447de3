package boat

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

func TestMeasureTable(t *testing.T) {
	seen := map[string]bool{}
	for _, m := range Measures() {
		info := m.Info()
		if info.Name == "" || info.Unit == "" || info.Scale <= 0 || info.Tolerance <= 0 || seen[info.Name] {
			t.Errorf("measure %d: %+v", m, info)
		}
		seen[info.Name] = true
	}
	used := map[Measure]bool{}
	for _, q := range Quantities() {
		for _, m := range q.Measures {
			used[m] = true
		}
	}
	if len(used) != int(measureCount) {
		t.Errorf("%d of %d measures belong to a quantity", len(used), measureCount)
	}
}

func valueOf(r *State, m Measure, id string) (Source, bool) {
	for _, s := range r.Sources {
		if s.Measure == m && s.ID == id {
			return s, true
		}
	}
	return Source{}, false
}

func TestReferencesAreMadeEqual(t *testing.T) {
	w := newWire()
	w.claim(35, nameHead).claim(36, nameDepth)
	w.send(127258, 35, 255, 1, 0, 0xFF, 0xFF, 0xD0, 0x07, 0xFF, 0xFF)       // variation 0.2 rad east
	w.send(127250, 35, 255, 1, 0xE8, 0x03, 0xFF, 0x7F, 0xFF, 0x7F, 0xFD)    // 0.1 rad magnetic
	w.send(129026, 35, 255, 1, 0xFC, 0x10, 0x27, 0xF4, 0x01, 0xFF, 0xFF)    // 1 rad true, 5 m/s
	w.send(128267, 36, 255, 1, 0xE8, 0x03, 0, 0, 0xF4, 0x01, 0xFF)          // 10 m, transducer 0.5 m below the waterline
	w.send(130306, 36, 255, 1, 0xE8, 0x03, 0x10, 0x27, 2, 0xFF, 0xFF)       // 10 m/s apparent at 1 rad
	w.send(130312, 36, 255, 1, 0, 0, 0x48, 0x71, 0xFF, 0xFF, 0xFF)          // sea at 290 K
	w.send(130312, 35, 255, 1, 0, 4, 0x48, 0x71, 0xFF, 0xFF, 0xFF)          // engine room
	w.send(127251, 35, 255, 1, 0xFF, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF)    // no value
	w.send(129025, 36, 255, 0xFF, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF, 0x7F) // no value
	w.add(event.Event{Kind: event.KindNetwork, Network: 1, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
	for _, l := range []string{"HCHDG,5.7,,,,", "SDDPT,10.0,-1.5,", "SDDBT,,f,12.0,M,,F", "WIMWV,57.3,R,10.0,M,A", "GPRMC,080000.00,A,5406.0000,N,01048.0000,E,9.7,57.3,040526,,,A"} {
		w.add(event.Event{Kind: event.KindLine, Network: 1, Line: []byte(sealed(l))})
	}
	r := w.state()
	head, depth := nameHead.String(), nameDepth.String()
	for _, tt := range []struct {
		m    Measure
		id   string
		want float64
	}{
		{HeadingTrue, head, 0.3}, {CourseTrue, head, 1}, {SpeedOverGround, head, 5}, {DepthSurface, depth, 10.5}, {ApparentWindAngle, depth, 1},
		{ApparentWindSpeed, depth, 10}, {WaterTemperature, depth, 290}, {HeadingTrue, "ttyUSB0/HC", 0.3}, {DepthKeel, "ttyUSB0/SD", 8.5},
		{DepthTransducer, "ttyUSB0/SD", 12}, {ApparentWindAngle, "ttyUSB0/WI", 1}, {Position, "ttyUSB0/GP", 54.1}, {CourseTrue, "ttyUSB0/GP", 1},
		{SpeedOverGround, "ttyUSB0/GP", 4.99}, {ClockOffset, "ttyUSB0/GP", 0},
	} {
		s, ok := valueOf(r, tt.m, tt.id)
		if !ok || math.Abs(s.Value-tt.want) > 0.01 && tt.m != ClockOffset || math.Abs(s.Value-tt.want) > 1 {
			t.Errorf("%s of %s: %v %v, want %v", tt.m, tt.id, s.Value, ok, tt.want)
		}
	}
	for _, no := range []struct {
		m  Measure
		id string
	}{{WaterTemperature, head}, {RateOfTurn, head}, {Position, depth}, {HeadingMagnetic, "ttyUSB0/HC"}} {
		if s, ok := valueOf(r, no.m, no.id); ok {
			t.Errorf("%s of %s: %v", no.m, no.id, s.Value)
		}
	}
}

// sea runs two depth sources on one bus, and a talker, for some minutes. copied is how the second one comes by its values.
func sea(copied func(now time.Duration, of func(time.Duration) float64) float64) *State {
	w := newWire()
	w.claim(35, nameHead).claim(36, nameDepth)
	w.add(event.Event{Kind: event.KindNetwork, Network: 1, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
	bottom := func(d time.Duration) float64 { // in cm; stepped, as a sounder sends it twice a second
		s := d.Truncate(500 * time.Millisecond).Seconds()
		return math.Round(2000 + 500*math.Sin(s/17) + 120*math.Sin(s/3.1) + 31*math.Sin(s*1.7))
	}
	send := func(src uint8, cm float64) {
		p := []byte{1, 0, 0, 0, 0, 0xF4, 1, 0xFF}
		binary.LittleEndian.PutUint32(p[1:], uint32(cm))
		w.send(128267, src, 255, p...)
	}
	start := w.now
	for range 4 * 60 * 2 {
		d := w.now.Sub(start)
		send(36, bottom(d))
		w.wait(200 * time.Millisecond)
		d = w.now.Sub(start)
		w.add(event.Event{Kind: event.KindLine, Network: 1, Line: []byte(sealed(fmt.Sprintf("SDDPT,%.1f,0.5,", bottom(d)/100)))})
		w.wait(200 * time.Millisecond)
		send(35, copied(w.now.Sub(start), bottom))
		w.wait(100 * time.Millisecond)
	}
	return w.state()
}

func echoOf(r *State, from, to string) Echo {
	for _, e := range r.Echoes {
		if e.Measure == DepthSurface && e.From == from && e.To == to {
			return e
		}
	}
	return Echo{}
}

func TestEchoes(t *testing.T) {
	sounder, gateway := nameDepth.String(), nameHead.String()
	t.Run("a copy 1.4 s late", func(t *testing.T) {
		r := sea(func(d time.Duration, of func(time.Duration) float64) float64 {
			return math.Round(of(d-1400*time.Millisecond)/10) * 10
		})
		e := echoOf(r, sounder, gateway)
		if e.Tried < 60 || e.Matched*10 < e.Tried*9 || e.Lag < 900*time.Millisecond || e.Lag > 1900*time.Millisecond {
			t.Errorf("%+v", e)
		}
		if back := echoOf(r, gateway, sounder); back.Matched*2 > back.Tried {
			t.Errorf("the sounder seems to follow: %+v", back)
		}
		if e := echoOf(r, sounder, "ttyUSB0/SD"); e.Matched*10 < e.Tried*9 || e.Tried < 60 {
			t.Errorf("the line does not follow: %+v", e)
		}
		if e := echoOf(r, "ttyUSB0/SD", gateway); e.Matched*10 < e.Tried*9 {
			t.Errorf("the way over the line is not seen: %+v", e)
		}
	})
	t.Run("a sensor of its own", func(t *testing.T) {
		noise := rand.New(rand.NewPCG(1, 2))
		r := sea(func(d time.Duration, of func(time.Duration) float64) float64 { return of(d) + 20*noise.NormFloat64() })
		if e := echoOf(r, sounder, gateway); e.Tried < 60 || e.Matched*10 >= e.Tried*9 {
			t.Errorf("%+v", e)
		}
	})
	t.Run("a flat bottom", func(t *testing.T) {
		r := sea(func(time.Duration, func(time.Duration) float64) float64 { return 1234 })
		if e := echoOf(r, sounder, gateway); e.Tried >= 20 {
			t.Errorf("%+v", e)
		}
	})
}

func TestSourcesAreBounded(t *testing.T) {
	w := newWire()
	for i := range 40 {
		w.claim(uint8(i), testName(uint32(1000+i), 60, 130)).send(128267, uint8(i), 255, depth...)
	}
	w.wait(15 * time.Minute)
	w.claim(100, nameDepth).send(128267, 100, 255, depth...)
	r := w.state()
	if len(r.Sources) != maxSources {
		t.Errorf("%d sources", len(r.Sources))
	}
	if _, ok := valueOf(r, DepthTransducer, nameDepth.String()); !ok {
		t.Error("a new source finds no room beside ones long silent")
	}
}

// TestMeasuringDoesNotAllocate: a sentence costs no memory beyond the reading of its values.
func TestMeasuringDoesNotAllocate(t *testing.T) {
	b := New(Options{})
	b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
	now := epoch
	lines := [][]byte{[]byte(sealed("GPRMC,080000.00,A,5406.0000,N,01048.0000,E,9.7,57.3,040526,,,A")), []byte(sealed("SDDPT,10.0,0.5,")), []byte(sealed("IIVHW,,,5.7,M,6.1,N,,"))}
	ev := make([]event.Event, 1)
	feed := func() {
		for _, l := range lines {
			now = now.Add(300 * time.Millisecond)
			ev[0] = event.Event{Kind: event.KindLine, Time: now, Line: l}
			b.Feed(ev...)
		}
	}
	feed()
	var (
		s        nmea0183.Sentence
		readings []nmea0183.Reading
	)
	least := func(f func()) float64 { // the library's pools keep less under the race detector, by chance
		n := math.Inf(1)
		for range 300 {
			n = min(n, testing.AllocsPerRun(1, f))
		}
		return n
	}
	read := least(func() {
		for _, l := range lines {
			_, _ = nmea0183.Parse(l, &s)
			readings, _ = nmea0183.Read(&s, readings[:0])
		}
	})
	if n := least(feed); n != read {
		t.Errorf("%v allocations for %d lines, of which reading their values takes %v", n, len(lines), read)
	}
}

func FuzzTakes(f *testing.F) {
	f.Add(uint32(129029-126992), make([]byte, 43))
	f.Add(uint32(128267-126992), depth)
	f.Add(uint32(127250-126992), heading)
	f.Fuzz(func(t *testing.T, number uint32, p []byte) {
		b := New(Options{})
		s := &source{net: newNetwork(b, event.Network{ID: "can0", Kind: event.NMEA2000})}
		s.d = newDevice(s.net, 1, nameHead, true, epoch)
		if take := takes[126992+number%3325]; take != nil {
			take(s, &stream{}, p, epoch)
		}
		for _, x := range s.series {
			if x != nil && (math.IsNaN(x.Last().Value) || math.IsInf(x.Last().Value, 0)) {
				t.Fatal("no number")
			}
		}
	})
}

func FuzzLines(f *testing.F) {
	f.Add([]byte("$HCHDG,5.7,,,,\n$GPRMC,080000.00,A,5406.0000,N,01048.0000,E,9.7,57.3,040526,,,A\n$SDHBT,30,A,1"))
	f.Add([]byte("\\g:1-2-3*00\\$SDTXT,01,01,01,x$SDVER,1,1,SD,GAN,1,42,M^2C,1.4,A,0"))
	f.Fuzz(func(t *testing.T, in []byte) {
		b := New(Options{MaxTalkers: 4, MaxSentences: 4})
		b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
		at := epoch
		for _, l := range bytes.Split(in, []byte("\n")) {
			at = at.Add(time.Second)
			b.Feed(event.Event{Kind: event.KindLine, Time: at, Line: l})
		}
		r := b.State()
		if len(r.Talkers) > 4 {
			t.Fatalf("%d talkers", len(r.Talkers))
		}
		checkSchema(t, encode(t, r))
	})
}

// BenchmarkLines feeds the sentences of a position receiver, a sounder and a compass.
func BenchmarkLines(b *testing.B) {
	boat := New(Options{})
	boat.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
	var lines [][]byte
	for i := range 64 {
		lines = append(lines, []byte(sealed(fmt.Sprintf("GPRMC,0800%02d.00,A,5406.%04d,N,01048.0000,E,9.7,57.3,040526,,,A", i%60, i))),
			[]byte(sealed(fmt.Sprintf("SDDPT,%d.1,0.5,", i))), []byte(sealed(fmt.Sprintf("HCHDG,%d.7,,,2.0,W", i))))
	}
	at, i := epoch, 0
	var ev event.Event
	b.ReportAllocs()
	for b.Loop() {
		at = at.Add(300 * time.Millisecond)
		ev = event.Event{Kind: event.KindLine, Time: at, Line: lines[i%len(lines)]}
		boat.Feed(ev)
		i++
	}
}

// Two magnetic headings keep their difference while two sources differ in the variation.
func TestOneVariation(t *testing.T) {
	w := newWire()
	w.claim(35, nameHead).claim(36, nameDepth)
	for range 3 {
		w.send(127250, 35, 255, 1, 0xE8, 0x03, 0xFF, 0x7F, 0xD0, 0x07, 0xFD) // 0.1 rad magnetic, variation 0.2 rad
		w.send(127250, 36, 255, 1, 0xE8, 0x03, 0xFF, 0x7F, 0x30, 0xF8, 0xFD) // 0.1 rad magnetic, variation -0.2 rad
	}
	r := w.state()
	a, _ := valueOf(r, HeadingTrue, nameHead.String())
	b, _ := valueOf(r, HeadingTrue, nameDepth.String())
	if math.Abs(a.Value-b.Value) > 1e-9 || !a.FromMagnetic || !b.FromMagnetic {
		t.Errorf("%+v %+v", a, b)
	}
}

// What looks like a value and is none, or is of another thing.
func TestNotTheSameThing(t *testing.T) {
	w := newWire()
	w.claim(35, nameHead).claim(36, nameDepth)
	w.send(128267, 36, 255, 1, 0xE8, 0x03, 0, 0, 0xFF, 0xFF, 0xFF)       // an offset of all ones is no offset
	w.send(127245, 35, 255, 1, 0xFF, 0xFF, 0x7F, 0xE8, 0x03, 0xFF, 0xFF) // port rudder
	w.send(127245, 36, 255, 0, 0xFF, 0xFF, 0x7F, 0xD0, 0x07, 0xFF, 0xFF) // starboard rudder
	w.send(127508, 35, 255, 2, 0xA6, 0x0E, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF) // 37.5 V
	w.send(127513, 35, 255, 2, 0x00, 0x14, 100, 0, 0xFF, 0xFF, 0xFF)     // code 4
	r := w.state()
	if _, ok := valueOf(r, DepthTransducer, nameDepth.String()); !ok {
		t.Error("the depth is not that below the transducer")
	}
	if _, ok := valueOf(r, RudderAngle, nameHead.String()); ok {
		t.Error("a port rudder is compared")
	}
	if s, ok := valueOf(r, RudderAngle, nameDepth.String()); !ok || s.Value != 0.2 {
		t.Errorf("starboard rudder: %v %v", s.Value, ok)
	}
	nominal := 0.0
	for _, d := range r.Devices {
		for _, x := range d.Transmits {
			nominal = max(nominal, x.NominalVolts)
		}
	}
	if nominal != 36 {
		t.Errorf("nominal %g V", nominal)
	}
}
