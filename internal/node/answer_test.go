package node

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// asker is a bare address on the test bus that asks and collects what comes back.
const asker = 200

var headOptions = Options{
	Name: name(5, true), Address: 10, Heartbeat: -1,
	Product: pgn.ProductInformation{DatabaseVersion: pgn.Some[uint16](2100), ProductCode: pgn.Some[uint16](910), Model: "Larkfin LF9 display",
		SoftwareVersion: "4.52", ModelVersion: "B", Serial: "X1", CertificationLevel: pgn.Some[uint8](1), LoadEquivalency: pgn.Some[uint8](6)},
	Installation: pgn.ConfigurationInformation{Installation1: "Helm", Manufacturer: "Larkfin Marine"},
	Transmits:    []uint32{127250}, Receives: []uint32{129025},
}

// ready is a bus with one device that has its address; the log is empty.
func ready(o Options) *bus {
	b := newBus(o)
	b.startAll()
	b.run(time.Second)
	b.log = nil
	return b
}

// messages puts together everything that the device has sent since ready, as "PGN>destination: bytes".
func (b *bus) messages() (list []string) {
	asm := transport.NewAssembler(transport.Options{})
	for _, l := range b.log {
		if l.from < 0 {
			continue
		}
		if m := asm.Feed(&event.Event{Kind: event.KindFrame, Time: l.at, Frame: l.f}); m != nil {
			list = append(list, fmt.Sprintf("%d>%d: % X", m.PGN(), m.Destination, m.Data))
		}
	}
	return list
}

func (b *bus) request(number uint32, dst uint8) {
	b.inject(pgn.MakeID(6, 59904, asker, dst), byte(number), byte(number>>8), byte(number>>16))
	b.run(100 * time.Millisecond)
}

func (b *bus) group(dst uint8, data ...byte) {
	frames, _ := transport.Split(nil, pgn.MakeID(3, 126208, asker, dst), 0, data)
	for _, f := range frames {
		b.deliver(-1, f)
	}
	b.run(100 * time.Millisecond)
}

func TestAnswersRequests(t *testing.T) {
	product := fmt.Sprintf("126996>255: % X", headOptions.Product.Append(nil))
	config := "126998>255: 06 01 48 65 6C 6D 02 01 10 01 4C 61 72 6B 66 69 6E 20 4D 61 72 69 6E 65"
	claim := fmt.Sprintf("60928>255: % X", name(5, true).Append(nil))
	nak := func(number uint32) string {
		return fmt.Sprintf("59392>200: 01 FF FF FF FF %02X %02X %02X", byte(number), byte(number>>8), byte(number>>16))
	}
	for _, c := range []struct {
		name   string
		number uint32
		dst    uint8
		want   []string
	}{
		{"claim, from all", 60928, pgn.Global, []string{claim}},
		{"claim, from one", 60928, 10, []string{claim}},
		{"product information, from all", 126996, pgn.Global, []string{product}},
		{"product information, from one", 126996, 10, []string{product}},
		{"configuration information", 126998, 10, []string{config}},
		{"unsupported, from one", 129029, 10, []string{nak(129029)}},
		{"unsupported, from all", 129029, pgn.Global, nil},
		{"heartbeat where there is none", 126993, 10, []string{nak(126993)}},
		{"supported but not to be had", 127250, 10, []string{nak(127250)}},
		{"for somebody else", 126996, 11, nil},
		{"PGN lists", 126464, 10, []string{
			"126464>255: 00 00 E8 00 00 EA 00 00 EB 00 00 EC 00 00 EE 00 00 ED 01 00 EE 01 11 F0 01 14 F0 01 16 F0 01 12 F1 01",
			"126464>255: 01 00 E8 00 00 EA 00 00 EB 00 00 EC 00 00 EE 00 D8 FE 00 00 ED 01 01 F8 01",
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := ready(headOptions)
			b.request(c.number, c.dst)
			if diff := cmp.Diff(c.want, b.messages()); diff != "" {
				t.Errorf("answers (-want +got):\n%s", diff)
			}
		})
	}
}

func TestMalformedRequestsAreIgnored(t *testing.T) {
	b := ready(headOptions)
	b.inject(pgn.MakeID(6, 59904, asker, 10))
	b.inject(pgn.MakeID(6, 59904, asker, 10), 0, 0xEE)
	b.inject(pgn.MakeID(6, 60928, 10, pgn.Global), 1, 2, 3)
	f := can.Frame{ID: uint32(pgn.MakeID(6, 59904, asker, 10)), IsExtended: true, IsRemote: true, Length: 3}
	b.deliver(-1, f)
	b.deliver(-1, can.Frame{ID: 0x123, Length: 3})
	b.run(time.Second)
	if got := b.messages(); len(got) != 0 {
		t.Errorf("answered %q", got)
	}
	if got := b.nodes[0].Stats().Malformed; got != 3 {
		t.Errorf("malformed %d, want 3", got)
	}
}

func TestHeartbeat(t *testing.T) {
	o := headOptions
	o.Heartbeat = 0
	b := newBus(o)
	b.startAll()
	b.run(121 * time.Second)
	b.request(126993, 10)
	var got []string
	for _, l := range b.sent(0, 126993) {
		got = append(got, fmt.Sprintf("%.0f % X", l.at.Sub(t0).Seconds(), l.f.Data))
	}
	want := []string{"0 60 EA 00 FF FF FF FF FF", "60 60 EA 01 FF FF FF FF FF", "120 60 EA 02 FF FF FF FF FF", "121 60 EA FF FF FF FF FF FF"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("heartbeats (-want +got):\n%s", diff)
	}
}

func TestGroupFunction(t *testing.T) {
	keep := []byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}
	request := func(number uint32, interval []byte, pairs ...byte) []byte {
		d := append([]byte{0, byte(number), byte(number >> 8), byte(number >> 16)}, interval...)
		return append(append(d, byte(len(pairs)/2)), pairs...)
	}
	open := headOptions
	open.Commandable, open.Heartbeat = true, time.Minute
	for _, c := range []struct {
		name string
		opts Options
		dst  uint8
		data []byte
		want string // the acknowledgment: "" none
	}{
		{"request what is unknown", headOptions, 10, request(129029, keep), "02 05 F8 01 01 00"},
		{"request what is unknown, from all", headOptions, 255, request(129029, keep), ""},
		{"request with a choice of values", headOptions, 10, request(127250, keep, 1, 0), "02 12 F1 01 00 01 F5"},
		{"request another interval", headOptions, 10, request(127250, []byte{100, 0, 0, 0, 0xFF, 0xFF}), "02 12 F1 01 10 00"},
		{"request another heartbeat, allowed", open, 10, request(126993, []byte{0x10, 0x27, 0, 0, 0xFF, 0xFF}), "02 11 F0 01 00 00"},
		{"request another heartbeat, too fast", open, 10, request(126993, []byte{10, 0, 0, 0, 0xFF, 0xFF}), "02 11 F0 01 10 00"},
		{"command an instance, refused", headOptions, 10, []byte{1, 0, 0xEE, 0, 0xF8, 1, 3, 2}, "02 00 EE 00 03 01 F4"},
		{"command an instance", open, 10, []byte{1, 0, 0xEE, 0, 0xF8, 2, 3, 2, 4, 1}, "02 00 EE 00 00 02 00"},
		{"command an instance out of range", open, 10, []byte{1, 0, 0xEE, 0, 0xF8, 1, 3, 8}, "02 00 EE 00 00 01 F3"},
		{"command a field that is none", open, 10, []byte{1, 0, 0xEE, 0, 0xF8, 2, 3, 2, 11, 0}, "02 00 EE 00 00 02 10"},
		{"command the manufacturer", open, 10, []byte{1, 0, 0xEE, 0, 0xF8, 1, 2, 0}, "02 00 EE 00 00 01 F5"},
		{"command a description", open, 10, []byte{1, 0x16, 0xF0, 1, 0xF8, 1, 1, 5, 1, 'F', 'l', 'y'}, "02 16 F0 01 00 01 F0"},
		{"command a description, refused", headOptions, 10, []byte{1, 0x16, 0xF0, 1, 0xF8, 1, 1, 5, 1, 'F', 'l', 'y'}, "02 16 F0 01 03 01 F4"},
		{"command data", open, 10, []byte{1, 0x12, 0xF1, 1, 0xF8, 1, 2, 0, 0}, "02 12 F1 01 04 00"},
		{"command what is unknown", open, 10, []byte{1, 0x05, 0xF8, 1, 0xF8, 0}, "02 05 F8 01 01 00"},
		{"command everybody", open, 255, []byte{1, 0, 0xEE, 0, 0xF8, 1, 3, 2}, ""},
		{"read fields", headOptions, 10, []byte{3, 0x12, 0xF1, 1, 0, 0, 1, 2}, "02 12 F1 01 06 00"},
		{"an acknowledgment", headOptions, 10, []byte{2, 0x12, 0xF1, 1, 0, 0, 0}, ""},
		{"a description that lies about its length", open, 10, []byte{1, 0x16, 0xF0, 1, 0xF8, 1, 1, 99, 1, 'F'}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := ready(c.opts)
			b.group(c.dst, c.data...)
			got := ""
			for _, m := range b.messages() {
				if rest, ok := strings.CutPrefix(m, "126208>200: "); ok {
					got = rest
				}
			}
			if got != c.want {
				t.Errorf("acknowledged %q, want %q", got, c.want)
			}
		})
	}
}

func TestCommandsThatAreAllowedWork(t *testing.T) {
	open, changed := headOptions, 0
	open.Commandable, open.Changed = true, func(event.Time) { changed++ }
	b := ready(open)
	b.group(10, 1, 0, 0xEE, 0, 0xF8, 3, 3, 2, 4, 1, 8, 5)
	b.run(time.Second)
	b.group(10, 1, 0x16, 0xF0, 1, 0xF8, 2, 1, 5, 1, 'F', 'l', 'y', 2, 2, 1)
	b.run(time.Second)
	f := b.nodes[0].Name().Fields()
	if f.DeviceInstance != 10 || f.SystemInstance != 5 {
		t.Errorf("instance %d, system instance %d; want 10 (lower 2, upper 1) and 5", f.DeviceInstance, f.SystemInstance)
	}
	if got := b.nodes[0].Installation().Installation1; got != "Fly" {
		t.Errorf("description %q, want %q", got, "Fly")
	}
	if n := len(b.sent(0, 60928)); n != 1 || changed != 2 {
		t.Errorf("%d claims and %d calls after two commands, want 1 and 2", n, changed)
	}
	expectAddress(t, b.nodes[0], Claimed, 10)
}

func TestOwnPresenceObeysNobody(t *testing.T) {
	b := ready(OwnOptions(7, "1.0", "T1"))
	before := b.nodes[0].Name()
	b.group(OwnAddress, 1, 0, 0xEE, 0, 0xF8, 1, 3, 2)
	b.group(OwnAddress, 1, 0x16, 0xF0, 1, 0xF8, 1, 1, 5, 1, 'F', 'l', 'y')
	b.group(OwnAddress, 0, 0x11, 0xF0, 1, 0x10, 0x27, 0, 0, 0xFF, 0xFF, 0)
	want := []string{"126208>200: 02 00 EE 00 03 01 F4", "126208>200: 02 16 F0 01 03 01 F4", "126208>200: 02 11 F0 01 30 00"}
	if diff := cmp.Diff(want, b.messages()); diff != "" {
		t.Errorf("acknowledged (-want +got):\n%s", diff)
	}
	if b.nodes[0].Name() != before || b.nodes[0].Installation() != (pgn.ConfigurationInformation{}) {
		t.Error("a command changed something")
	}
	f := before.Fields()
	if f.DeviceClass != 10 || f.DeviceFunction != 130 || f.Manufacturer != 2040 || !f.ArbitraryAddress || f.IndustryGroup != 4 {
		t.Errorf("own NAME %+v", f)
	}
}

func TestFloodOfRequests(t *testing.T) {
	for _, number := range []uint32{60928, 126996, 126998, 126464, 129029, 127250} {
		t.Run(fmt.Sprint(number), func(t *testing.T) {
			b := ready(headOptions)
			const seconds = 10
			for range seconds * 1000 {
				b.inject(pgn.MakeID(6, 59904, asker, 10), byte(number), byte(number>>8), byte(number>>16))
				b.drain()
				b.now = b.now.Add(time.Millisecond)
			}
			b.run(time.Second)
			frames := 0
			for _, l := range b.log {
				if l.from == 0 {
					frames++
				}
			}
			most := answerBurst + answerRate*(seconds+1)
			if frames == 0 || frames > most {
				t.Errorf("%d frames in answer to %d requests, want 1 to %d", frames, seconds*1000, most)
			}
			if st := b.nodes[0].Stats(); st.Withheld == 0 {
				t.Error("no answer was withheld")
			}
		})
	}
}

func TestISOTransportBothWays(t *testing.T) {
	long := bytes.Repeat([]byte("muster the crew "), 100)
	var got []byte
	var number uint32
	to := Options{Name: name(6, true), Address: 20, Heartbeat: -1, Message: func(_ event.Time, n uint32, src, dst uint8, data []byte) {
		if src == 10 && dst == 20 {
			number, got = n, bytes.Clone(data)
		}
	}}
	for _, size := range []int{9, 14, 112, 113, 1600} {
		b := newBus(headOptions, to)
		b.startAll()
		b.run(time.Second)
		if !b.nodes[0].Send(b.now, 6, 61184, 20, long[:size]) {
			t.Fatalf("%d bytes: not sent", size)
		}
		if size > 20 && b.nodes[0].Send(b.now, 6, 61184, 20, long[:size]) {
			t.Errorf("%d bytes: a second session to one destination was opened", size)
		}
		b.run(2 * time.Second)
		if number != 61184 || !bytes.Equal(got, long[:size]) {
			t.Errorf("%d bytes: got %d bytes of PGN %d", size, len(got), number)
		}
		if s := b.nodes[0].Stats().Sessions + b.nodes[1].Stats().Sessions; s != 0 {
			t.Errorf("%d bytes: %d sessions failed", size, s)
		}
	}
}

func TestISOTransportGivesUp(t *testing.T) {
	b := ready(headOptions)
	if !b.nodes[0].Send(b.now, 6, 61184, 77, make([]byte, 100)) { // no node there
		t.Fatal("not sent")
	}
	b.run(3 * time.Second)
	if s := b.nodes[0].Stats().Sessions; s != 1 {
		t.Errorf("%d sessions failed, want 1", s)
	}
	if b.nodes[0].Next() != 0 {
		t.Errorf("still waits for %v", b.nodes[0].Next())
	}
}

func FuzzFeed(f *testing.F) {
	frame := func(id pgn.ID, data ...byte) []byte {
		x := []byte{byte(id), byte(id >> 8), byte(id >> 16), byte(id >> 24), byte(len(data))}
		return append(x, append(data, make([]byte, 8-len(data))...)...)
	}
	f.Add(frame(pgn.MakeID(6, 59904, 200, 10), 0x14, 0xF0, 1))
	f.Add(frame(pgn.MakeID(6, 60928, 10, 255), name(1, true).Append(nil)...))
	f.Add(append(frame(pgn.MakeID(3, 126208, 200, 10), 0x00, 8, 1, 0, 0xEE, 0, 0xF8, 1), frame(pgn.MakeID(3, 126208, 200, 10), 0x01, 3, 2)...))
	f.Add(append(frame(pgn.MakeID(7, 60416, 200, 10), 16, 9, 0, 2, 255, 0xD8, 0xFE, 0), frame(pgn.MakeID(7, 60160, 200, 10), 1, 1, 2, 3, 4, 5, 6, 7)...))
	f.Fuzz(func(t *testing.T, raw []byte) {
		var out Outbox
		a := NewAsker(New(OwnOptions(1, "1", "S"), &out), AskOptions{})
		o := headOptions
		o.Commandable = true
		b := ready(o)
		a.Start(t0)
		now := t0.Add(time.Second)
		a.Tick(now)
		sent := 0
		for ; len(raw) >= 13; raw = raw[13:] {
			fr := can.Frame{ID: uint32(raw[0]) | uint32(raw[1])<<8 | uint32(raw[2])<<16 | uint32(raw[3]&0x1F)<<24, Length: raw[4] & 15,
				IsExtended: raw[4]&0x10 == 0, IsRemote: raw[4]&0x20 != 0}
			copy(fr.Data[:], raw[5:13])
			now = now.Add(time.Duration(raw[4]>>6) * 300 * time.Millisecond)
			a.Feed(now, &fr)
			if next := a.Next(); next != 0 && next <= now {
				a.Tick(now)
			}
			sent += len(out.Frames)
			for i := range out.Frames {
				if err := out.Frames[i].Validate(); err != nil {
					t.Fatal(err)
				}
			}
			out.Reset()
			b.deliver(-1, fr)
		}
		b.run(time.Second)
		if addr, ok := a.Node().Address(); ok && addr > pgn.MaxAddr {
			t.Fatalf("has address %d", addr)
		}
	})
}

func BenchmarkFeed(b *testing.B) {
	bus := ready(headOptions)
	n := bus.nodes[0]
	f := can.Frame{ID: uint32(pgn.MakeID(2, 127250, 13, pgn.Global)), IsExtended: true, Length: 8}
	b.ReportAllocs()
	for b.Loop() {
		n.Feed(bus.now, &f)
	}
}
