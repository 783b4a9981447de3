package transport

import (
	"bytes"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"
	"pgregory.net/rapid"

	"muster/internal/event"
	"muster/pgn"
)

const t0 = event.Time(1_777_881_600_000_000_000)

// Product information, broadcast fast packet.
var fastID = pgn.MakeID(6, 126996, 7, pgn.Global)

func payload(n int) []byte {
	p := make([]byte, n)
	for i := range p {
		p[i] = byte(i*7 + 1)
	}
	return p
}

func frameEvent(f can.Frame, at time.Duration) event.Event {
	return event.Event{Kind: event.KindFrame, Time: t0.Add(at), Frame: f, Network: 3}
}

func mustSplit(t testing.TB, id pgn.ID, sequence uint8, data []byte) []can.Frame {
	t.Helper()
	frames, err := Split(nil, id, sequence, data)
	if err != nil {
		t.Fatal(err)
	}
	return frames
}

// feedAll feeds the frames gap apart and returns copies of what came out.
func feedAll(a *Assembler, gap time.Duration, frames ...can.Frame) (out []Message) {
	for i, f := range frames {
		ev := frameEvent(f, time.Duration(i)*gap)
		if m := a.Feed(&ev); m != nil {
			c := *m
			c.Data = bytes.Clone(m.Data)
			out = append(out, c)
		}
	}
	return out
}

func TestFastPacketRoundTrip(t *testing.T) {
	// 26 bytes take 4 frames, 43 and 47 take 7, 134 take 20, 223 take 32: an open capture's messages.
	for size, want := range map[int]int{1: 1, 6: 1, 7: 2, 26: 4, 43: 7, 47: 7, 134: 20, 223: 32} {
		data := payload(size)
		frames := mustSplit(t, fastID, 5, data)
		if len(frames) != want {
			t.Errorf("%d bytes: %d frames, want %d", size, len(frames), want)
		}
		a := NewAssembler(Options{})
		got := feedAll(a, time.Millisecond, frames...)
		wantMessage := []Message{{Time: t0.Add(time.Duration(want-1) * time.Millisecond), Data: data, ID: fastID, Network: 3,
			Destination: pgn.Global, Frames: uint8(want), Fast: true, Sequence: 5}}
		if d := cmp.Diff(wantMessage, got); d != "" {
			t.Errorf("%d bytes: (-want +got)\n%s", size, d)
		}
		if a.Failures() != 0 || a.Open() != 0 {
			t.Errorf("%d bytes: %d failures, %d open", size, a.Failures(), a.Open())
		}
	}
}

func TestFastPacketFailures(t *testing.T) {
	whole := mustSplit(t, fastID, 0, payload(26))
	other := mustSplit(t, fastID, 1, payload(26))
	change := func(f can.Frame, at int, b byte) can.Frame { f.Data[at] = b; return f }
	short := func(f can.Frame, n uint8) can.Frame { f.Length = n; return f }
	for _, tt := range []struct {
		name   string
		frames []can.Frame
		gap    time.Duration
		want   map[Reason]uint64
		out    int
	}{
		{name: "two sequences interleaved", frames: []can.Frame{whole[0], other[0], whole[1], other[1], whole[2], whole[3], other[2], other[3]}, out: 2},
		{name: "start missed", frames: whole[1:], want: map[Reason]uint64{FastNoStart: 1}},
		{name: "start missed twice", frames: append(append([]can.Frame{}, whole[1:]...), whole[1:]...), want: map[Reason]uint64{FastNoStart: 2}},
		{name: "middle missed", frames: []can.Frame{whole[0], whole[1], whole[3]}, want: map[Reason]uint64{FastGap: 1}},
		{name: "doubled", frames: []can.Frame{whole[0], whole[1], whole[1], whole[2], whole[3]}, want: map[Reason]uint64{FastGap: 1}},
		{name: "out of order", frames: []can.Frame{whole[0], whole[2], whole[1], whole[3]}, want: map[Reason]uint64{FastGap: 1, FastNoStart: 1}},
		{name: "begun anew", frames: append([]can.Frame{whole[0], whole[1]}, whole...), want: map[Reason]uint64{FastRestart: 1}, out: 1},
		{name: "length 0", frames: []can.Frame{change(whole[0], 1, 0), whole[1], whole[2]}, want: map[Reason]uint64{FastBadLength: 1}},
		{name: "length 224", frames: []can.Frame{change(whole[0], 1, 224)}, want: map[Reason]uint64{FastBadLength: 1}},
		{name: "beyond length", frames: []can.Frame{change(whole[0], 1, 10), change(whole[1], 0, 2)}, want: map[Reason]uint64{FastBeyond: 1}},
		{name: "short first frame", frames: []can.Frame{short(whole[0], 5)}, want: map[Reason]uint64{FastShort: 1}},
		{name: "short later frame", frames: []can.Frame{whole[0], short(whole[1], 4), whole[2]}, want: map[Reason]uint64{FastShort: 1}},
		{name: "empty frame", frames: []can.Frame{short(whole[0], 0)}, want: map[Reason]uint64{FastShort: 1}},
		{name: "short last frame that holds all", frames: []can.Frame{whole[0], whole[1], whole[2], short(whole[3], 7)}, out: 1},
		{name: "too slow", frames: whole[:2], gap: 751 * time.Millisecond, want: map[Reason]uint64{FastTimeout: 1, FastNoStart: 1}},
		{name: "slow enough", frames: whole, gap: 750 * time.Millisecond, out: 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := NewAssembler(Options{})
			out := feedAll(a, tt.gap, tt.frames...)
			checkCounters(t, a, tt.want)
			if len(out) != tt.out {
				t.Errorf("%d messages, want %d", len(out), tt.out)
			}
		})
	}
}

func checkCounters(t *testing.T, a *Assembler, want map[Reason]uint64) {
	t.Helper()
	got, sum := map[Reason]uint64{}, uint64(0)
	for r, n := range a.Counters() {
		if n != 0 {
			got[Reason(r)] = n
			sum += n
		}
	}
	if want == nil {
		want = map[Reason]uint64{}
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("failures (-want +got)\n%s", d)
	}
	if sum != a.Failures() {
		t.Errorf("Failures %d, sum of reasons %d", a.Failures(), sum)
	}
}

func TestBoundedByShedding(t *testing.T) {
	a := NewAssembler(Options{})
	start := mustSplit(t, fastID, 0, payload(26))[0]
	const messages = 100_000
	for i := range messages { // opened and never finished, all within the timeout
		f := start
		f.ID = uint32(pgn.MakeID(6, 130816+uint32(i>>11), uint8(i), pgn.Global))
		f.Data[0] = byte(i>>8&7) << 5
		ev := frameEvent(f, time.Duration(i))
		a.Feed(&ev)
	}
	c := a.Counters()
	if a.Open() != 1024 || c.Shed() != messages-1024 || c.Broken() != 0 {
		t.Errorf("open %d, shed %d, broken %d", a.Open(), c.Shed(), c.Broken())
	}
	late := t0.Add(time.Second)
	overdue := a.Overdue(late)
	if overdue[FastTimeout] != 1024 {
		t.Errorf("%d overdue, want 1024", overdue[FastTimeout])
	}
	a.Expire(late)
	if c := a.Counters(); a.Open() != 0 || c[FastTimeout] != 1024 {
		t.Errorf("open %d, timed out %d", a.Open(), c[FastTimeout])
	}
}

func TestClockThatJumpsBack(t *testing.T) {
	a := NewAssembler(Options{})
	frames := mustSplit(t, fastID, 0, payload(20))
	var got *Message
	for i, f := range frames {
		ev := frameEvent(f, -time.Duration(i)*time.Hour)
		got = a.Feed(&ev)
	}
	if got == nil || !bytes.Equal(got.Data, payload(20)) {
		t.Error("message lost")
	}
}

func TestReasonNames(t *testing.T) {
	seen := map[string]bool{}
	for r := range ReasonCount {
		if s := r.String(); s == "" || s == "unknown" || seen[s] {
			t.Errorf("reason %d is called %q", r, s)
		}
		seen[r.String()] = true
	}
}

// Messages of many senders, their frames shuffled together but each message's in order, all come out whole.
func TestInterleavedMessagesComeOutWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := NewAssembler(Options{})
		var queues [][]can.Frame
		want := map[uint32][]byte{}
		for i := range rapid.IntRange(1, 20).Draw(t, "messages") {
			id := pgn.MakeID(6, 126720, uint8(i), uint8(rapid.IntRange(0, 3).Draw(t, "to")))
			data := payload(rapid.IntRange(1, MaxFast).Draw(t, "size"))
			frames, err := Split(nil, id, uint8(i), data)
			if err != nil {
				t.Fatal(err)
			}
			queues = append(queues, frames)
			want[uint32(id)] = data
		}
		for at := time.Duration(0); len(queues) > 0; at += time.Millisecond {
			i := rapid.IntRange(0, len(queues)-1).Draw(t, "next")
			ev := frameEvent(queues[i][0], at)
			if m := a.Feed(&ev); m != nil {
				if !bytes.Equal(m.Data, want[uint32(m.ID)]) {
					t.Fatalf("%x: wrong data", uint32(m.ID))
				}
				delete(want, uint32(m.ID))
			}
			if queues[i] = queues[i][1:]; len(queues[i]) == 0 {
				queues = append(queues[:i], queues[i+1:]...)
			}
		}
		if len(want) != 0 {
			t.Fatalf("%d messages missing, %d failures", len(want), a.Failures())
		}
	})
}

func FuzzAssembler(f *testing.F) {
	for _, n := range []int{3, 26, 223} {
		frames := mustSplit(f, fastID, 2, payload(n))
		var seed []byte
		for _, fr := range frames {
			seed = appendFrame(seed, fr, 1)
		}
		f.Add(seed)
	}
	bam := controlFrame(9, pgn.Global, 65240, controlBAM, 9, 0, 2, 0xFF)
	f.Add(appendFrame(appendFrame(nil, bam, 50), can.Frame{ID: uint32(pgn.MakeID(7, PGNData, 9, 255)), Length: 8, Data: can.Data{1}}, 50))
	f.Fuzz(func(t *testing.T, in []byte) {
		a := NewAssembler(Options{MaxFast: 4, MaxISO: 4})
		now := t0
		for ; len(in) >= 14; in = in[14:] {
			ev := event.Event{Kind: event.KindFrame}
			ev.Frame = can.Frame{ID: uint32(in[0]) | uint32(in[1])<<8 | uint32(in[2])<<16 | uint32(in[3]&31)<<24, Length: in[4] & 15, IsExtended: true}
			copy(ev.Frame.Data[:], in[5:13])
			now = now.Add(time.Duration(int8(in[13])) * 10 * time.Millisecond)
			ev.Time = now
			if m := a.Feed(&ev); m != nil && len(m.Data) > MaxISO {
				t.Fatalf("%d bytes", len(m.Data))
			}
			if a.Open() > 8 {
				t.Fatalf("%d open", a.Open())
			}
		}
	})
}

func appendFrame(p []byte, f can.Frame, gap byte) []byte {
	p = append(p, byte(f.ID), byte(f.ID>>8), byte(f.ID>>16), byte(f.ID>>24), f.Length)
	p = append(p, f.Data[:]...)
	return append(p, gap)
}

func BenchmarkAssembler(b *testing.B) {
	single := frameEvent(can.Frame{ID: 0x09F80102, Length: 8, IsExtended: true}, 0)
	b.Run("single", func(b *testing.B) {
		a := NewAssembler(Options{})
		b.ReportAllocs()
		for b.Loop() {
			a.Feed(&single)
		}
	})
	b.Run("fast", func(b *testing.B) {
		a := NewAssembler(Options{})
		frames := mustSplit(b, fastID, 0, payload(134))
		b.ReportAllocs()
		i := 0
		var ev event.Event
		for b.Loop() {
			ev = frameEvent(frames[i], 0)
			a.Feed(&ev)
			if i++; i == len(frames) {
				i = 0
			}
		}
	})
}

func TestFeedDoesNotAllocate(t *testing.T) {
	a := NewAssembler(Options{})
	frames := mustSplit(t, fastID, 0, payload(134))
	var ev event.Event
	n := testing.AllocsPerRun(100, func() {
		for _, f := range frames {
			ev = frameEvent(f, 0)
			a.Feed(&ev)
		}
	})
	if n != 0 {
		t.Errorf("%v allocations for %d frames", n, len(frames))
	}
}
