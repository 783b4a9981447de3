package boat

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.einride.tech/can"
	"pgregory.net/rapid"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// Story is the state of a small boat with something of everything.
func Story() *State { return story().feed(storyOptions()).State() }

// story is a small boat with something of everything.
func story() *wire {
	w := newWire()
	w.claim(35, nameHead).claim(36, nameDepth).claim(37, nameGNSS).wait(300 * time.Millisecond)
	w.product(35, "Larkfin LF9 display", "2.1").product(36, "Gannet SD2 sounder", "1.4.2")
	text := []byte{11, 1, 'F', 'l', 'y', 'b', 'r', 'i', 'd', 'g', 'e', 2, 1, 2, 1}
	w.send(pgnConfiguration, 35, 255, text...)
	w.send(pgnList, 35, 255, 0, 0x12, 0xF1, 0x01).send(pgnList, 35, 255, 1, 0x0B, 0xF5, 0x01)
	for i := range 30 {
		w.send(127250, 35, 255, heading...).send(128267, 36, 255, depth...)
		w.send(127508, 77, 255, byte(i%2), 0xE2, 4, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF)
		w.wait(97 * time.Millisecond)
	}
	w.claim(254, nameGNSS).claim(36, nameDepth).wait(time.Second).product(36, "Gannet SD2 sounder", "1.5.0")
	w.add(event.Event{Kind: event.KindErrorFrame, Frame: can.Frame{ID: 0x08, Length: 8}})
	w.add(event.Event{Kind: event.KindNetwork, Network: 1, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
	for range 3 {
		w.wait(time.Second)
		for _, l := range []string{"$IIDPT,12.5,0.5*73", "$IIDPT,12.5,0.5*00", "$IIMTW,17.9,C*1C", "$GPGGA,1", "noise",
			"$HEVER,1,1,HE,GNT,77,000321,Gannet HC1,3.2,B,0*6C"} {
			w.add(event.Event{Kind: event.KindLine, Network: 1, Line: []byte(l)})
		}
	}
	return w
}

func storyOptions() Options {
	return Options{ID: "turnstone", Name: "Turnstone", Clock: ClockCapture, ManufacturerNames: map[uint16]string{2001: "Larkfin Marine"}, Own: []pgn.NAME{nameGNSS}}
}

func encode(t testing.TB, r *State) []byte {
	t.Helper()
	out, err := Write(r)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestGoldenReport(t *testing.T) {
	b := story().feed(storyOptions())
	b.SetManual([]Manual{{ID: "horn", Role: RoleDeck, Manufacturer: "Sanderling Power", At: epoch}})
	r := b.State()
	got := encode(t, r)
	file := filepath.Join("testdata", "report.golden.json")
	if *update {
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Error(d)
	}
	checkSchema(t, got)
}

var compiledSchema = sync.OnceValues(func() (*jsonschema.Schema, error) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema))
	if err != nil {
		return nil, err
	}
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	c.AssertFormat()
	if err := c.AddResource("report.json", doc); err != nil {
		return nil, err
	}
	return c.Compile("report.json")
})

func Validate(t *testing.T, report []byte) error {
	t.Helper()
	schema, err := compiledSchema()
	if err != nil {
		t.Fatal(err)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(report))
	if err != nil {
		t.Fatal(err)
	}
	return schema.Validate(v)
}

func checkSchema(t *testing.T, report []byte) {
	t.Helper()
	if err := Validate(t, report); err != nil {
		t.Error(err)
	}
}

func TestEmptyReport(t *testing.T) {
	got := encode(t, New(Options{}).State())
	checkSchema(t, got)
	if d := cmp.Diff(string(got), string(encode(t, New(Options{}).State()))); d != "" {
		t.Error(d)
	}
}

func TestSameEventsSameBytes(t *testing.T) {
	first := encode(t, story().feed(storyOptions()).State())
	for range 5 {
		if d := cmp.Diff(string(first), string(encode(t, story().feed(storyOptions()).State()))); d != "" {
			t.Fatal(d)
		}
	}
}

// A live boat that ticks and reports all the time gives in the end what a replay gives, facts for the checks
// included.
func TestReportDoesNotDependOnTicks(t *testing.T) {
	w := story()
	frames := len(w.events)
	w.wait(3*time.Minute).send(pgnProduct, 36, 255, make([]byte, productLength)...)
	w.events = w.events[:frames+3] // a message that never ends
	end := w.now.Add(2 * time.Minute)
	replayed := w.feed(storyOptions())
	replayed.Tick(end)
	want := replayed.State()
	rapid.Check(t, func(rt *rapid.T) {
		live := New(storyOptions())
		step := event.Time(rapid.Int64Range(int64(500*time.Millisecond), int64(20*time.Second)).Draw(rt, "step"))
		next := epoch + step
		for i := range w.events {
			for ; w.events[i].Time != 0 && next < w.events[i].Time; next += step {
				live.Tick(next)
				live.State()
			}
			live.Feed(w.events[i])
		}
		for ; next < end; next += step {
			live.Tick(next)
		}
		live.Tick(end)
		if d := cmp.Diff(want, live.State()); d != "" {
			rt.Fatal(d)
		}
	})
}

func TestReportSharesNothing(t *testing.T) {
	b := story().feed(storyOptions())
	r := b.State()
	before := encode(t, r)
	w := story()
	for i := range w.events {
		b.Feed(w.events[i])
	}
	if d := cmp.Diff(string(before), string(encode(t, r))); d != "" {
		t.Error(d)
	}
}

func TestFeedDoesNotAllocate(t *testing.T) {
	w := story()
	b := w.feed(storyOptions())
	_, events := fleetOf(8, 20)
	for i := range events {
		b.Feed(events[i])
	}
	if n := testing.AllocsPerRun(20, func() {
		for i := range events {
			events[i].Time = events[i].Time.Add(time.Minute)
			if events[i].Kind == event.KindFrame && pgn.ID(events[i].Frame.ID).PGN() != pgnClaim {
				b.Feed(events[i : i+1]...)
			}
		}
	}); n != 0 {
		t.Errorf("%v allocations for %d events", n, len(events))
	}
}

func FuzzFeed(f *testing.F) {
	var seed []byte
	for _, ev := range story().events {
		if ev.Kind != event.KindFrame {
			continue
		}
		seed = append(seed, byte(ev.Kind), byte(ev.Frame.ID), byte(ev.Frame.ID>>8), byte(ev.Frame.ID>>16), byte(ev.Frame.ID>>24), ev.Frame.Length, 10)
		seed = append(seed, ev.Frame.Data[:]...)
	}
	f.Add(seed)
	f.Add(append([]byte{5, '$', 'I', 'I', 'D', 'P', 'T', ','}, make([]byte, 7)...))
	f.Fuzz(func(t *testing.T, in []byte) {
		b := New(Options{MaxDevices: 8, MaxStreams: 4, MaxNetStreams: 16, Assembly: transport.Options{MaxFast: 4, MaxISO: 2}})
		now := epoch
		for ; len(in) >= 15; in = in[15:] {
			now = now.Add(time.Duration(int8(in[6])) * 100 * time.Millisecond)
			ev := event.Event{Kind: event.Kind(in[0] & 15), Time: now, Network: uint16(in[5] >> 6), Count: uint32(in[7])}
			ev.Frame = can.Frame{ID: uint32(in[1]) | uint32(in[2])<<8 | uint32(in[3])<<16 | uint32(in[4]&31)<<24, Length: in[5] & 15,
				IsExtended: in[4]&64 == 0, IsRemote: in[4]&128 != 0}
			copy(ev.Frame.Data[:], in[7:15])
			if ev.Kind == event.KindLine {
				ev.Line = in[1:15]
			}
			b.Feed(ev)
		}
		r := b.State()
		for _, n := range r.Networks {
			if n.Frames > 1<<40 {
				t.Fatal("frames run over")
			}
		}
		if len(r.Devices) > 4*8 {
			t.Fatalf("%d devices", len(r.Devices))
		}
		checkSchema(t, encode(t, r))
	})
}
