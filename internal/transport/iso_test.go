package transport

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"go.einride.tech/can"
	"pgregory.net/rapid"

	"muster/internal/event"
	"muster/pgn"
)

// dialogue runs a transfer between a sender and a receiver while an assembler listens. lose decides whether the n-th
// frame on the bus is lost to the other side; the listener receives all.
func dialogue(t testing.TB, number uint32, dst uint8, data []byte, lose func(n int) bool) (s *Sender, r *Receiver, a *Assembler, heard []byte) {
	t.Helper()
	s, err := NewSender(number, 35, dst, data)
	if err != nil {
		t.Fatal(err)
	}
	a = NewAssembler(Options{})
	now, n := t0, 0
	pass := func(f can.Frame) bool {
		ev := event.Event{Kind: event.KindFrame, Time: now, Frame: f}
		if m := a.Feed(&ev); m != nil {
			heard = bytes.Clone(m.Data)
			if m.PGN() != number || m.Source() != 35 || m.Destination != dst {
				t.Fatalf("heard %+v", *m)
			}
		}
		n++
		now = now.Add(time.Millisecond)
		return lose == nil || !lose(n)
	}
	for steps := 0; ; steps++ {
		if steps > 10_000 {
			t.Fatal("the dialogue does not end")
		}
		if f, ok := s.Next(now); ok {
			if pass(f) {
				if r == nil {
					r, _ = Accept(now, dst, &f)
				} else {
					r.Handle(now, &f)
				}
			}
			continue
		}
		if r != nil {
			if f, ok := r.Next(now); ok {
				if pass(f) {
					s.Handle(now, &f)
				}
				continue
			}
		}
		var wake event.Time
		if !s.Done() {
			wake = s.Wake()
		}
		if r != nil && !r.Done() && (wake == 0 || r.Wake() < wake) {
			wake = r.Wake()
		}
		if wake == 0 {
			return s, r, a, heard
		}
		now = max(now.Add(1), wake)
	}
}

func TestBroadcast(t *testing.T) {
	for _, size := range []int{9, 14, 15, 1785} {
		data := payload(size)
		s, _, a, heard := dialogue(t, 65240, pgn.Global, data, nil)
		if s.Err() != nil || !bytes.Equal(heard, data) || a.Failures() != 0 {
			t.Errorf("%d bytes: %v, %d bytes heard, %v", size, s.Err(), len(heard), a.Counters())
		}
	}
}

func TestConnection(t *testing.T) {
	for _, size := range []int{9, 112, 113, 1785} {
		data := payload(size)
		s, r, a, heard := dialogue(t, 126720, 64, data, nil)
		got, err := r.Data()
		if s.Err() != nil || err != nil || !bytes.Equal(got, data) || !bytes.Equal(heard, data) || a.Failures() != 0 {
			t.Errorf("%d bytes: sender %v, receiver %v, %d received, %d heard, %v", size, s.Err(), err, len(got), len(heard), a.Counters())
		}
	}
}

// Whatever is lost, both sides come to an end, and what the receiver has is right.
func TestConnectionWithLosses(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		lost := rapid.SliceOfN(rapid.IntRange(1, 60), 0, 6).Draw(rt, "lost")
		data := payload(rapid.IntRange(9, 300).Draw(rt, "size"))
		s, r, _, _ := dialogue(t, 126720, 64, data, func(n int) bool {
			for _, l := range lost {
				if l == n {
					return true
				}
			}
			return false
		})
		if r == nil {
			if !errors.Is(s.Err(), AbortTimeout) {
				rt.Fatalf("announcement lost: %v", s.Err())
			}
			return
		}
		if got, err := r.Data(); err == nil && !bytes.Equal(got, data) {
			rt.Fatalf("received %d wrong bytes", len(got))
		}
	})
}

func TestLostPacketIsAskedForAgain(t *testing.T) {
	data := payload(100)
	s, r, _, _ := dialogue(t, 126720, 64, data, func(n int) bool { return n == 5 })
	if got, err := r.Data(); err != nil || s.Err() != nil || !bytes.Equal(got, data) {
		t.Errorf("sender %v, receiver %v", s.Err(), err)
	}
}

func TestISOFailures(t *testing.T) {
	rts := controlFrame(35, 64, 126720, controlRTS, 20, 0, 3, 0xFF)
	bam := controlFrame(35, pgn.Global, 126720, controlBAM, 20, 0, 3, 0xFF)
	abort := abortFrame(64, 35, 126720, AbortBusy)
	cts := controlFrame(64, 35, 126720, controlCTS, 3, 1, 0xFF, 0xFF)
	data := func(dst uint8, number byte) can.Frame {
		return can.Frame{ID: uint32(pgn.MakeID(7, PGNData, 35, dst)), Length: 8, IsExtended: true, Data: can.Data{number}}
	}
	short := func(f can.Frame) can.Frame { f.Length = 3; return f }
	for _, tt := range []struct {
		name   string
		frames []can.Frame
		gap    time.Duration
		want   map[Reason]uint64
		out    int
	}{
		{name: "broadcast", frames: []can.Frame{bam, data(255, 1), data(255, 2), data(255, 3)}, out: 1},
		{name: "connection with a repeat", frames: []can.Frame{rts, cts, data(64, 1), data(64, 2), data(64, 1), data(64, 3)}, out: 1},
		{name: "no start", frames: []can.Frame{data(255, 1), data(255, 2)}, want: map[Reason]uint64{ISONoStart: 1}},
		{name: "broadcast gap", frames: []can.Frame{bam, data(255, 1), data(255, 3)}, want: map[Reason]uint64{ISOGap: 1}},
		{name: "announced anew", frames: []can.Frame{bam, data(255, 1), bam, data(255, 1), data(255, 2), data(255, 3)}, want: map[Reason]uint64{ISORestart: 1}, out: 1},
		{name: "packet 0", frames: []can.Frame{bam, data(255, 0)}, want: map[Reason]uint64{ISOBeyond: 1}},
		{name: "packet beyond", frames: []can.Frame{bam, data(255, 4)}, want: map[Reason]uint64{ISOBeyond: 1}},
		{name: "size 8", frames: []can.Frame{controlFrame(35, 255, 126720, controlBAM, 8, 0, 2, 255), data(255, 1)}, want: map[Reason]uint64{ISOBadAnnounce: 1}},
		{name: "size 1786", frames: []can.Frame{controlFrame(35, 255, 126720, controlBAM, 0xFA, 6, 255, 255)}, want: map[Reason]uint64{ISOBadAnnounce: 1}},
		{name: "wrong packets", frames: []can.Frame{controlFrame(35, 255, 126720, controlBAM, 20, 0, 4, 255)}, want: map[Reason]uint64{ISOBadAnnounce: 1}},
		{name: "carrier in carrier", frames: []can.Frame{controlFrame(35, 255, PGNData, controlBAM, 20, 0, 3, 255)}, want: map[Reason]uint64{ISOBadAnnounce: 1}},
		{name: "request to send to all", frames: []can.Frame{controlFrame(35, 255, 126720, controlRTS, 20, 0, 3, 255)}, want: map[Reason]uint64{ISOBadAnnounce: 1}},
		{name: "short announcement", frames: []can.Frame{short(bam)}, want: map[Reason]uint64{ISOShort: 1}},
		{name: "short data", frames: []can.Frame{bam, short(data(255, 1))}, want: map[Reason]uint64{ISOShort: 1}},
		{name: "aborted", frames: []can.Frame{rts, abort, abort}, want: map[Reason]uint64{ISOAbort: 1}},
		{name: "broadcast too slow", frames: []can.Frame{bam, data(255, 1)}, gap: 751 * time.Millisecond, want: map[Reason]uint64{ISOTimeout: 1, ISONoStart: 1}},
		{name: "connection slow enough", frames: []can.Frame{rts, cts, data(64, 1), data(64, 2), data(64, 3)}, gap: 1250 * time.Millisecond, out: 1},
		{name: "connection too slow", frames: []can.Frame{rts, cts}, gap: 1251 * time.Millisecond, want: map[Reason]uint64{ISOTimeout: 1}},
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

func TestISOBoundedByShedding(t *testing.T) {
	a := NewAssembler(Options{MaxISO: 16})
	for i := range 1000 {
		ev := frameEvent(controlFrame(uint8(i%250), uint8(i/250), 126720, controlRTS, 20, 0, 3, 0xFF), 0)
		a.Feed(&ev)
	}
	if c := a.Counters(); a.Open() != 16 || c[ISOShed] != 984 {
		t.Errorf("open %d, shed %d", a.Open(), c[ISOShed])
	}
}

func TestSenderRefuses(t *testing.T) {
	for _, tt := range []struct {
		number uint32
		size   int
	}{{126720, 8}, {126720, 1786}, {PGNControl, 20}, {1 << 18, 20}} {
		if _, err := NewSender(tt.number, 1, 2, payload(tt.size)); !errors.Is(err, ErrNotCarriable) {
			t.Errorf("PGN %d of %d bytes: %v", tt.number, tt.size, err)
		}
	}
}

func TestAbortReachesTheOtherSide(t *testing.T) {
	s, err := NewSender(126720, 35, 64, payload(20))
	if err != nil {
		t.Fatal(err)
	}
	f, _ := s.Next(t0)
	refusal := Refuse(64, &f)
	s.Handle(t0, &refusal)
	if !errors.Is(s.Err(), AbortBusy) || !s.Done() || s.Wake() != 0 {
		t.Errorf("%v, done %v", s.Err(), s.Done())
	}
}

func FuzzReceiver(f *testing.F) {
	f.Add([]byte{1, 1, 2, 3, 4, 5, 6, 7, 2, 1, 2, 3, 4, 5, 6, 7})
	f.Fuzz(func(t *testing.T, in []byte) {
		rts := controlFrame(35, 64, 126720, controlRTS, 20, 0, 3, 0xFF)
		copy(rts.Data[1:], in[:min(len(in), 4)])
		r, ok := Accept(t0, 64, &rts)
		s, _ := NewSender(126720, 35, 64, payload(20))
		s.Next(t0)
		for i := 0; ok && i+8 <= len(in); i += 8 {
			fr := can.Frame{ID: uint32(pgn.MakeID(7, PGNData, 35, 64)), Length: 8, IsExtended: true}
			copy(fr.Data[:], in[i:])
			r.Handle(t0, &fr)
			r.Next(t0)
			back := controlFrame(64, 35, 126720, in[i], in[i+1], in[i+2], 0xFF, 0xFF)
			s.Handle(t0, &back)
			s.Next(t0)
		}
	})
}

// TestExchange: whoever listens to the frames of an exchange has the message again.
func TestExchange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := rapid.SliceOfN(rapid.Byte(), MinISO, MaxISO).Draw(t, "data")
		to := rapid.SampledFrom([]uint8{pgn.Global, 0, 36, 35}).Draw(t, "to")
		frames, err := Exchange(nil, 126998, 35, to, data)
		if err != nil {
			t.Fatal(err)
		}
		a := NewAssembler(Options{})
		var heard [][]byte
		for _, f := range frames {
			if m := a.Feed(&event.Event{Kind: event.KindFrame, Time: t0, Frame: f}); m != nil && m.PGN() == 126998 && m.Destination == to {
				heard = append(heard, bytes.Clone(m.Data))
			}
		}
		if len(heard) != 1 || !bytes.Equal(heard[0], data) {
			t.Fatalf("%d messages from %d frames", len(heard), len(frames))
		}
	})
	for _, size := range []int{MinISO - 1, MaxISO + 1} {
		if _, err := Exchange(nil, 126998, 35, pgn.Global, make([]byte, size)); !errors.Is(err, ErrNotCarriable) {
			t.Errorf("%d bytes: %v", size, err)
		}
	}
}
