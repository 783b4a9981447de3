package sim

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
	"muster/internal/node"
	"muster/internal/transport"
	"muster/pgn"
)

var update = flag.Bool("update", false, "write the golden files")

const t0 = event.Time(1_780_000_000e9)

func load(t testing.TB, name string) *Scenario {
	t.Helper()
	sc, err := Load(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	return sc
}

func parse(t testing.TB, src string) *Scenario {
	t.Helper()
	sc, err := Parse(t.Context(), "test.yaml", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	return sc
}

// play hands every event of the first d to f.
func play(t testing.TB, s *Sim, d time.Duration, f func(ev *event.Event)) {
	t.Helper()
	end := s.Now().Add(d)
	var events [64]event.Event
	last := event.Time(0)
	for {
		n, err := s.ReadUntil(end, events[:])
		if n == 0 || errors.Is(err, io.EOF) {
			return
		}
		for i := range events[:n] {
			if events[i].Time < last {
				t.Fatalf("time goes back from %v to %v", last, events[i].Time)
			}
			last = events[i].Time
			f(&events[i])
		}
	}
}

// TestGolden pins what the built-in scenarios produce: one seed, one stream, on every machine.
func TestGolden(t *testing.T) {
	for _, name := range Names() {
		t.Run(name, func(t *testing.T) {
			sums := [2]string{}
			for i := range sums {
				h := sha256.New()
				kinds := map[event.Kind]int{}
				s := New(load(t, name), 1, t0)
				play(t, s, 300*time.Second, func(ev *event.Event) {
					kinds[ev.Kind]++
					var b []byte
					b = binary.LittleEndian.AppendUint64(b, uint64(ev.Time))
					b = binary.LittleEndian.AppendUint16(b, ev.Network)
					b = binary.LittleEndian.AppendUint32(append(b, byte(ev.Kind)), ev.Frame.ID)
					b = binary.LittleEndian.AppendUint32(append(b, ev.Frame.Data[:]...), ev.Count)
					h.Write(append(b, ev.Line...))
				})
				sums[i] = fmt.Sprintf("%x\n%v\n", h.Sum(nil), kinds)
			}
			if sums[0] != sums[1] {
				t.Fatalf("two runs differ:\n%s%s", sums[0], sums[1])
			}
			file := filepath.Join("testdata", name+".golden")
			if *update {
				if err := os.WriteFile(file, []byte(sums[0]), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), sums[0]); diff != "" {
				t.Errorf("first 300 s (-want +got; run with -update after a change that is meant):\n%s", diff)
			}
		})
	}
}

func TestSaturatedLoad(t *testing.T) {
	s := New(load(t, "saturated"), 1, t0)
	play(t, s, 2*time.Second, func(*event.Event) {})
	bits, peak, second := 0, 0, 0
	var at event.Time
	const span = 60 * time.Second
	play(t, s, span, func(ev *event.Event) {
		n := transport.FrameBits(&ev.Frame)
		if ev.Time.Sub(at) >= time.Second {
			at, second = ev.Time, 0
		}
		second += n
		peak = max(peak, second)
		bits += n
	})
	load := float64(bits) / (span.Seconds() * BitRate)
	t.Logf("load %.2f %%, busiest second %.2f %%", load*100, float64(peak)/BitRate*100)
	if load < 0.94 || load > 0.96 || peak > BitRate*97/100 {
		t.Errorf("load %.2f %%, busiest second %.2f %%; want 94 to 96 %%", load*100, float64(peak)/BitRate*100)
	}
}

// TestFramesFitTheBus checks that no two frames overlap on the wire.
func TestFramesFitTheBus(t *testing.T) {
	var free event.Time
	play(t, New(load(t, "faults"), 1, t0), 120*time.Second, func(ev *event.Event) {
		if ev.Kind != event.KindFrame {
			return
		}
		begin := ev.Time.Add(-time.Duration(transport.FrameBits(&ev.Frame)) * bitTime)
		if begin < free {
			t.Fatalf("frame %v begins at %v, before the bus is free at %v", ev.Frame, begin, free)
		}
		free = ev.Time
	})
}

func TestNoTrafficBeforeTheClaim(t *testing.T) {
	claimed := map[uint8]event.Time{}
	play(t, New(load(t, "fifty"), 1, t0), 60*time.Second, func(ev *event.Event) {
		if ev.Kind != event.KindFrame {
			return
		}
		id := pgn.ID(ev.Frame.ID)
		if id.PGN() == 60928 {
			claimed[id.Source()] = ev.Time
			return
		}
		at, ok := claimed[id.Source()]
		if !ok || ev.Time.Sub(at) < node.ClaimWait-2*time.Millisecond {
			t.Errorf("PGN %d from %d %v after its claim (%v)", id.PGN(), id.Source(), ev.Time.Sub(at), ok)
		}
	})
	if len(claimed) != 50 {
		t.Errorf("%d claims, want 50", len(claimed))
	}
}

// TestAgreesWithDecoder decodes one of each message with the message set, which was written apart from these encoders.
func TestAgreesWithDecoder(t *testing.T) {
	w := newWorld(Boat{Latitude: 50.05, Longitude: -4.9, Variation: -2}, t0, nil)
	w.advance(t0.Add(100 * time.Second))
	v := &w.view
	for _, k := range append([]kind{{pgn: 65290, encode: proprietary}, {pgn: 130850, encode: proprietary}}, kinds...) {
		t.Run(fmt.Sprint(k.pgn), func(t *testing.T) {
			def := pgn.Lookup(k.pgn)
			if def == nil {
				t.Fatal("the message set does not know it")
			}
			for _, empty := range []bool{false, true} {
				e := encoder{empty: empty}
				k.encode(&e, v, &msg{instance: 2, variant: 1, sid: 9, manufacturer: 2002, length: 20})
				values, err := def.Decode(e.b, nil)
				if err != nil {
					t.Fatalf("decode % X: %v", e.b, err)
				}
				if def.Length > 0 && len(e.b) != def.Length && !pgn.Proprietary(k.pgn) && def.Length != len(e.b) && def.Transport == pgn.Single {
					t.Errorf("%d bytes, want %d", len(e.b), def.Length)
				}
				for _, x := range values {
					if x.State != pgn.Available && x.State != pgn.NotAvailable {
						t.Errorf("%s is %v: % X", x.Field.Key, x.State, e.b)
					}
				}
				if !pgn.Proprietary(k.pgn) && def.Available(e.b) == empty && !hasOtherValues[k.pgn] {
					t.Errorf("empty %v, but available says the contrary: % X", empty, e.b)
				}
			}
			e := encoder{}
			k.encode(&e, v, &msg{instance: 2, variant: 1, sid: 9})
			values, _ := def.Decode(e.b, nil)
			for key, want := range expected(v)[k.pgn] {
				x := pgn.Find(values, key, 0)
				if x == nil {
					t.Errorf("no field %s", key)
				} else if math.Abs(x.Number-want) > 1e-3*math.Max(1, math.Abs(want)) {
					t.Errorf("%s = %v, want %v", key, x.Number, want)
				}
			}
		})
	}
}

// hasOtherValues are the messages in which something besides measured values stays when the sender has none: a gear, a mode, a
// status, the target's identity.
var hasOtherValues = map[uint32]bool{127237: true, 127245: true, 127489: true, 127493: true, 127507: true, 129029: true, 129038: true,
	129039: true, 129283: true, 129284: true, 129539: true, 129540: true, 129794: true, 129809: true, 129810: true, 127488: true,
	128267: true, 127258: true, 127506: true}

func expected(v *view) map[uint32]map[string]float64 {
	return map[uint32]map[string]float64{
		127245: {"rudder_instance": 2, "position": v.rudder},
		127250: {"sid": 9, "heading": v.magnetic(), "deviation": v.devia, "variation": v.varia},
		127251: {"rate_of_turn": v.rot},
		127488: {"engine_instance": 2, "engine_speed": v.rpm},
		127505: {"tank_instance": 2, "level": v.water * 100, "capacity": 250},
		127508: {"battery_instance": 2, "voltage": v.volts, "current": v.amps},
		128259: {"speed_water_referenced": v.stw},
		128267: {"depth_below_transducer": v.depth, "offset": 0.4},
		129025: {"latitude": v.lat, "longitude": v.lon},
		129026: {"cog": v.cog, "sog": v.sog},
		129029: {"latitude": v.lat, "longitude": v.lon, "satellites_used": float64(v.sats)},
		129038: {"mmsi": 200000001, "latitude": v.targets[0].lat, "longitude": v.targets[0].lon},
		129039: {"mmsi": 200000003, "sog": v.targets[2].sog},
		130312: {"actual_temperature": v.airT},
		130316: {"temperature": v.airT},
	}
}

// TestConsistent checks that what the instruments send fits together: wind, course and current are one triangle.
func TestConsistent(t *testing.T) {
	w := newWorld(Boat{Latitude: 50, Longitude: -5}, t0, nil)
	for range 600 {
		before := w.view
		w.advance(w.now.Add(time.Second))
		north := (w.lat - before.lat) * degM
		east := (w.lon - before.lon) * degM * math.Cos(w.lat*rad)
		if moved := math.Hypot(north, east); math.Abs(moved-w.sog) > 0.05 {
			t.Fatalf("moved %.3f m in 1 s at %.3f m/s", moved, w.sog)
		}
		turned := math.Remainder(w.heading-before.heading, twoPi)
		if math.Abs(turned-w.rot) > 0.002 {
			t.Fatalf("turned %.4f rad in 1 s at %.4f rad/s", turned, w.rot)
		}
		if w.depth < 2 || w.depth > 60 || w.fuel < 0 || w.soc > 1 {
			t.Fatalf("depth %.1f, fuel %.2f, charge %.2f", w.depth, w.fuel, w.soc)
		}
	}
}

func TestUpdateStory(t *testing.T) {
	s := New(load(t, "demo"), 1, t0)
	head := s.devices[s.index("flybridge-display")]
	play(t, s, 220*time.Second, func(*event.Event) {})
	if head.on {
		t.Error("the flybridge display is on while it is updated")
	}
	if s.world.sag == 0 {
		t.Error("the supply does not sag during the update")
	}
	play(t, s, 60*time.Second, func(*event.Event) {})
	if !head.on || head.node.Product().SoftwareVersion != "4.52" || head.node.Installation().Installation1 != "" || head.node.Name().DeviceInstance() != 0 {
		t.Errorf("after the update: on %v, software %q, description %q, instance %d; want factory defaults and 4.52",
			head.on, head.node.Product().SoftwareVersion, head.node.Installation().Installation1, head.node.Name().DeviceInstance())
	}
}

// TestHeadAsks checks that who only listens to the demo boat learns every model from the answers to its displays.
func TestHeadAsks(t *testing.T) {
	asm, models := transport.NewAssembler(transport.Options{}), map[uint8]string{}
	play(t, New(load(t, "demo"), 1, t0), 20*time.Second, func(ev *event.Event) {
		var p pgn.ProductInformation
		if m := asm.Feed(ev); m != nil && m.PGN() == 126996 && p.Decode(m.Data) == nil {
			models[m.Source()] = p.Model
		}
	})
	if len(models) != 14 || models[3] != "Larkfin LF9 display" {
		t.Errorf("%d models, want all 14: %v", len(models), models)
	}
}

func TestStoryBeginsAgain(t *testing.T) {
	s := New(load(t, "demo"), 1, t0)
	head := s.devices[s.index("flybridge-display")]
	for round := range 2 {
		play(t, s, 100*time.Second, func(*event.Event) {})
		if p, in := head.node.Product(), head.node.Installation(); p.SoftwareVersion != "4.47" || in.Installation1 != "Flybridge" || head.node.Name().DeviceInstance() != 1 {
			t.Errorf("round %d: software %q, description %q, instance %d", round, p.SoftwareVersion, in.Installation1, head.node.Name().DeviceInstance())
		}
		play(t, s, 800*time.Second, func(*event.Event) {})
	}
}

func TestSentences(t *testing.T) {
	var all []Sentence
	for _, f := range formatters() {
		all = append(all, Sentence{Talker: "II", Formatter: f, Every: 2 * time.Second})
	}
	sc := parse(t, "devices: []\nlines: [{id: a, baud: 38400}]\n")
	sc.Lines[0].Sentences = all
	seen := map[string]bool{}
	play(t, New(sc, 1, t0), 10*time.Second, func(ev *event.Event) {
		if ev.Kind != event.KindLine {
			return
		}
		line := string(ev.Line)
		body, sum, ok := strings.Cut(line[1:], "*")
		x := byte(0)
		for i := range len(body) {
			x ^= body[i]
		}
		if !ok || sum != fmt.Sprintf("%02X", x) || len(line) > 80 {
			t.Errorf("%q: %d characters, checksum %02X", line, len(line), x)
		}
		seen[body[2:5]] = true
	})
	if len(seen) != len(all) {
		t.Errorf("%d of %d sentences were written", len(seen), len(all))
	}
}

func TestPositionText(t *testing.T) {
	for _, c := range []struct {
		lat, lon float64
		want     string
	}{
		{37.92205333, 23.01691, "3755.3232,N,02301.0146,E"},
		{-0.00000001, -179.9999999999, "0000.0000,S,18000.0000,W"},
		{50.9999999999, 0.5, "5100.0000,N,00030.0000,E"},
	} {
		if got := string(position(nil, c.lat, c.lon)); got != c.want {
			t.Errorf("%v %v: %s, want %s", c.lat, c.lon, got, c.want)
		}
	}
}

func TestInjectedRequestIsAnswered(t *testing.T) {
	s := New(load(t, "demo"), 1, t0)
	play(t, s, 3*time.Second, func(*event.Event) {})
	ev := event.Event{Kind: event.KindFrame, Time: s.Now()}
	ev.Frame.ID, ev.Frame.IsExtended, ev.Frame.Length = uint32(pgn.MakeID(6, 59904, 99, 12)), true, 3
	ev.Frame.Data[0], ev.Frame.Data[1], ev.Frame.Data[2] = 0x14, 0xF0, 0x01
	s.Inject(&ev)
	asm, model := transport.NewAssembler(transport.Options{}), ""
	play(t, s, time.Second, func(ev *event.Event) {
		if ev.Sent {
			t.Error("an injected frame came back")
		}
		if m := asm.Feed(ev); m != nil && m.PGN() == 126996 && m.Source() == 12 {
			var p pgn.ProductInformation
			if err := p.Decode(m.Data); err != nil {
				t.Error(err)
			}
			model = p.Model
		}
	})
	if model != "Gannet GP1 receiver" {
		t.Errorf("answered %q", model)
	}
}

func TestFaultsShow(t *testing.T) {
	kinds, echoes, fights := map[event.Kind]int{}, 0, 0
	bad := 0
	play(t, New(load(t, "faults"), 1, t0), 400*time.Second, func(ev *event.Event) {
		kinds[ev.Kind]++
		id := pgn.ID(ev.Frame.ID)
		switch {
		case ev.Kind == event.KindFrame && id.PGN() == 129025 && id.Source() == 26:
			echoes++
		case ev.Kind == event.KindFrame && id.PGN() == 60928 && id.Source() == 12:
			fights++
		case ev.Kind == event.KindLine && (ev.Line[0] != '$' || ev.Line[len(ev.Line)-3] != '*'):
			bad++
		}
	})
	if kinds[event.KindErrorFrame] < 1000 || kinds[event.KindDropped] < 100 || echoes < 1000 || fights < 50 || bad == 0 {
		t.Errorf("events %v, %d echoes, %d claims in the fight, %d garbled lines", kinds, echoes, fights, bad)
	}
}

func TestEnds(t *testing.T) {
	s := New(parse(t, "generate: 2\nduration: 10s\nlines: [{id: a}]\n"), 1, t0)
	ends := 0
	play(t, s, time.Hour, func(ev *event.Event) {
		if ev.Kind == event.KindEnd {
			ends++
			if ev.Time != t0.Add(10*time.Second) {
				t.Errorf("ended at %v", ev.Time)
			}
		}
	})
	var one [1]event.Event
	if n, err := s.Read(one[:]); n != 0 || !errors.Is(err, io.EOF) || ends != 2 {
		t.Errorf("read %d, %v after %d ends; want EOF after 2", n, err, ends)
	}
	if n, err := New(parse(t, "devices: []\n"), 1, t0).Read(make([]event.Event, 8)); n != 2 || err != nil {
		t.Errorf("a boat without devices: %d events, %v; want its network and its end", n, err)
	}
}

func BenchmarkRead(b *testing.B) {
	for _, name := range []string{"demo", "fifty", "saturated"} {
		b.Run(name, func(b *testing.B) {
			s := New(load(b, name), 1, t0)
			var events [256]event.Event
			b.ReportAllocs()
			n := 0
			for b.Loop() {
				k, err := s.Read(events[:])
				if err != nil {
					b.Fatal(err)
				}
				n += k
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "events/s")
		})
	}
}

func TestMisheard(t *testing.T) {
	text := "$SDDPT,12.4,0.5,50*4C"
	for _, baud := range []uint32{4800, 38400} {
		if got := string(misheard([]byte(text), baud, baud)); got != text+"\r\n" {
			t.Errorf("at the right rate of %d: %q", baud, got)
		}
	}
	// A receiver twice too fast sees each bit twice. Of '$', 0x24, that is: the start bit, it again, 0 0, 0 0, 1 1 and the first half of 0.
	if got := misheard([]byte("$"), 4800, 9600)[0]; got != 0b01100000 {
		t.Errorf("%08b", got)
	}
}

func TestWrongBaud(t *testing.T) {
	sc := parse(t, `
lines: [{id: a, baud: 38400, sentences: [{talker: SD, formatter: DPT}]}]
timeline: [{at: 10s, do: wrong-baud, line: a, baud: 4800, for: 10s}]
`)
	s := New(sc, 1, t0)
	count := func() (good, noise int) {
		play(t, s, 10*time.Second, func(ev *event.Event) {
			switch {
			case ev.Kind != event.KindLine:
			case strings.HasPrefix(string(ev.Line), "$SDDPT,"):
				good++
			default:
				noise++
			}
		})
		return good, noise
	}
	for _, want := range []bool{true, false, true} {
		if good, noise := count(); (good > 0) != want || (noise > 0) == want {
			t.Errorf("%d good, %d of noise; want good %v", good, noise, want)
		}
	}
}

// TestCorruptAndFlood: a device whose frames are corrupted loses them, each with an error frame; one that floods takes its share of the bus.
func TestCorruptAndFlood(t *testing.T) {
	const devices = "devices:\n  - {id: a, manufacturer: 2002, class: 60, function: 130, address: 35, sends: [{pgn: 128267, every: 100ms}]}\n" +
		"  - {id: b, manufacturer: 2002, class: 60, function: 140, address: 36, sends: [{pgn: 127250, every: 100ms}]}\n"
	frames, faults := map[uint8]int{}, 0
	s := New(parse(t, devices+"timeline:\n  - {at: 10s, do: corrupt, device: a, share: 0.5, for: 100s}\n"), 1, t0)
	play(t, s, 110*time.Second, func(ev *event.Event) {
		switch {
		case ev.Kind == event.KindErrorFrame:
			faults++
		case ev.Kind == event.KindFrame && ev.Time > t0.Add(10*time.Second):
			frames[uint8(ev.Frame.ID)]++
		}
	})
	if sum := frames[35] + faults; frames[35] < 400 || frames[35] > 600 || sum < 970 || sum > 1030 || frames[36] < 970 {
		t.Errorf("%d frames of a, %d of b, %d error frames", frames[35], frames[36], faults)
	}
	bits := 0
	s = New(parse(t, devices+"timeline:\n  - {at: 10s, do: flood, device: a, share: 0.6, for: 100s}\n"), 1, t0)
	play(t, s, 110*time.Second, func(ev *event.Event) {
		if ev.Kind == event.KindFrame && ev.Time > t0.Add(10*time.Second) && uint8(ev.Frame.ID) == 35 {
			bits += transport.FrameBits(&ev.Frame)
		}
	})
	if share := float64(bits) / BitRate / 100; math.Abs(share-.6) > .05 {
		t.Errorf("the flood takes %.3f of the bus", share)
	}
}
