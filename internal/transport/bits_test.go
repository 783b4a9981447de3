package transport

import (
	"testing"

	"go.einride.tech/can"
	"pgregory.net/rapid"
)

// frameBitsPlain counts a frame bit by bit: the plain reading of ISO 11898-1.
func frameBitsPlain(f *can.Frame) int {
	var bits []int
	put := func(v uint64, n int) {
		for i := n - 1; i >= 0; i-- {
			bits = append(bits, int(v>>i&1))
		}
	}
	remote := uint64(0)
	if f.IsRemote {
		remote = 1
	}
	put(0, 1)
	if f.IsExtended {
		put(uint64(f.ID)>>18, 11)
		put(3, 2)
		put(uint64(f.ID), 18)
		put(remote, 1)
		put(0, 2)
	} else {
		put(uint64(f.ID), 11)
		put(remote, 1)
		put(0, 2)
	}
	put(uint64(f.Length), 4)
	if !f.IsRemote {
		for _, b := range f.Data[:min(f.Length, 8)] {
			put(uint64(b), 8)
		}
	}
	crc := 0
	for _, b := range bits {
		next := b ^ crc>>14&1
		crc = crc << 1 & 0x7FFF
		if next == 1 {
			crc ^= 0x4599
		}
	}
	put(uint64(crc), 15)
	sent, last, run := 0, -1, 0
	for _, b := range bits {
		if b == last {
			run++
		} else {
			last, run = b, 1
		}
		sent++
		if run == 5 {
			sent++
			last, run = 1-b, 1
		}
	}
	return sent + 1 + 2 + 7 + 3
}

func drawFrame(t *rapid.T) can.Frame {
	f := can.Frame{
		ID:         rapid.Uint32Range(0, can.MaxExtendedID).Draw(t, "id"),
		Length:     rapid.Uint8Range(0, 15).Draw(t, "length"),
		IsExtended: rapid.Bool().Draw(t, "extended"),
		IsRemote:   rapid.IntRange(0, 9).Draw(t, "remote") == 0,
	}
	if !f.IsExtended {
		f.ID &= can.MaxID
	}
	pattern := rapid.SampledFrom([]byte{0x00, 0xFF, 0x0F, 0xF8, 0x83, 0x1F}).Draw(t, "pattern")
	for i := range f.Data {
		if rapid.Bool().Draw(t, "plain") {
			f.Data[i] = pattern
		} else {
			f.Data[i] = rapid.Byte().Draw(t, "byte")
		}
	}
	return f
}

func TestFrameBitsAgainstPlainCount(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawFrame(t)
		if got, want := FrameBits(&f), frameBitsPlain(&f); got != want {
			t.Fatalf("%+v: %d bits, want %d", f, got, want)
		}
	})
}

// Lengths without stuffing are 67+8n (29-bit) and 47+8n (11-bit); the worst are 160 and 135 for 8 bytes (can-utils).
func TestFrameBitsWithinBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawFrame(t)
		n := int(min(f.Length, 8))
		if f.IsRemote {
			n = 0
		}
		low, stuffable := 47+8*n, 33+8*n
		if f.IsExtended {
			low, stuffable = 67+8*n, 53+8*n
		}
		if got := FrameBits(&f); got < low || got > low+stuffable/4 {
			t.Fatalf("%+v: %d bits outside %d..%d", f, got, low, low+stuffable/4)
		}
	})
}

// Lengths count as FrameBits does, whatever headers they saw before.
func TestLengthsAgainstPlainCount(t *testing.T) {
	var l Lengths
	rapid.Check(t, func(t *rapid.T) {
		f := drawFrame(t)
		for range 2 {
			if got, want := l.FrameBits(&f), frameBitsPlain(&f); got != want {
				t.Fatalf("%+v: %d bits, want %d", f, got, want)
			}
			f.Length ^= rapid.Uint8Range(0, 15).Draw(t, "other length")
		}
	})
}

func benchmarkBits(b *testing.B, count func(*can.Frame) int) {
	f := can.Frame{ID: 0x09F80102, Length: 8, IsExtended: true, Data: can.Data{0x12, 0x00, 0x00, 0x84, 0xFF, 0xFF, 0x31, 0x7F}}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		f.Data[0]++
		n += count(&f)
	}
	_ = n
}

func BenchmarkLengths(b *testing.B)   { benchmarkBits(b, new(Lengths).FrameBits) }
func BenchmarkFrameBits(b *testing.B) { benchmarkBits(b, FrameBits) }
