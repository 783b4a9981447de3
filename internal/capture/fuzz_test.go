package capture

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"muster/internal/event"
)

// setNoFast keeps a reader from its fast path.
func setNoFast(r *Reader, plain bool) {
	switch x := r.dec.(type) {
	case *text:
		x.noFast = plain
	case *pcap:
		x.noFast = plain
	case *pcapng:
		x.noFast = plain
	}
}

// drainAll reads everything; with plain every line goes the slow way.
func drainAll(t interface{ Fatalf(string, ...any) }, in []byte, plain bool) []string {
	r, err := NewReader(bytes.NewReader(in))
	if err != nil {
		return []string{err.Error()}
	}
	defer r.Close()
	setNoFast(r, plain)
	var out []string
	events := make([]event.Event, 5)
	for range 100 + 4*len(in) {
		n, err := r.Read(events)
		for i := range events[:n] {
			e := &events[i]
			if e.Kind != event.KindNetwork && e.Kind != event.KindDamaged && r.dec == nil {
				t.Fatalf("event before its network")
			}
			if e.Frame.Length > 8 {
				t.Fatalf("length %d", e.Frame.Length)
			}
			out = append(out, show(e))
		}
		if err != nil {
			if err != io.EOF {
				out = append(out, err.Error())
			}
			return out
		}
	}
	t.Fatalf("the read does not end")
	return nil
}

// FuzzReader feeds any bytes: no panic, an end, and the fast path gives what the slow one gives.
func FuzzReader(f *testing.F) {
	samples, err := filepath.Glob("testdata/sample.*")
	if err != nil {
		f.Fatal(err)
	}
	for _, name := range samples {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
		f.Add(b[:len(b)*2/3])
	}
	f.Add(recording(f, FormatCandump, 20))
	f.Add([]byte("\x1f\x8b\x08\x00\x00\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, in []byte) {
		if d := cmp.Diff(drainAll(t, in, true), drainAll(t, in, false)); d != "" {
			t.Fatal(d)
		}
	})
}

// The fast path agrees with the slow one on good lines that have been tampered with.
func TestFastPathAgrees(t *testing.T) {
	base := recording(t, FormatCandump, 30)
	micros := bytes.ReplaceAll(base, []byte("000) can0"), []byte(") can0"))
	names := [][]byte{[]byte("can0"), []byte("can1"), []byte("stern"), []byte("starboard")}
	lines := bytes.SplitAfter(base, []byte("\n"))
	for i := range lines { // interfaces in turn, one of them with a name that is too long for the fast path
		lines[i] = bytes.Replace(lines[i], names[0], names[i*i%7%4], 1)
	}
	several := bytes.Join(lines, nil)
	pcap, pcapng := recording(t, FormatPcap, 30), recording(t, FormatPcapng, 30)
	bare := bytes.ReplaceAll(pcapng, []byte("\x02\x00\x04\x00\x01\x00\x00\x00"), []byte("\x01\x00\x04\x00abcd"))
	rapid.Check(t, func(t *rapid.T) {
		in := bytes.Clone(rapid.SampledFrom([][]byte{base, micros, several, pcap, pcapng, bare}).Draw(t, "base"))
		for range rapid.IntRange(0, 6).Draw(t, "changes") {
			at := rapid.IntRange(0, len(in)-1).Draw(t, "at")
			in[at] = rapid.SampledFrom([]byte("09afAFgG#(). \nRr_\xb0\xca\x00\x01\x02\x04\x08\x10\x20\x40\x80\xca\xcf\xffT1")).Draw(t, "byte")
		}
		if d := cmp.Diff(drainAll(t, in, true), drainAll(t, in, false)); d != "" {
			t.Fatal(d)
		}
	})
}

// A record that lies about its length costs that record, not the rest.
func TestPcapResync(t *testing.T) {
	for _, tt := range []struct {
		format Format
		at     int // of a length field in the third record
	}{{FormatPcap, 24 + 2*32 + 8}, {FormatPcapng, 28 + 44 + 2*60 + 4}} {
		file := recording(t, tt.format, 30)
		if tt.format == FormatPcapng { // block sizes vary: find the third packet block
			at := 0
			for found := 0; found < 3; found++ {
				at += 4
				at += bytes.Index(file[at:], []byte{6, 0, 0, 0})
			}
			tt.at = at + 4
		} else {
			at := 24
			for range 2 {
				at += 16 + int(file[at+8])
			}
			tt.at = at + 8
		}
		copy(file[tt.at:], "\xff\xff\xff\x7f")
		frames, damaged := 0, 0
		r := open(t, bytes.NewReader(file))
		events := make([]event.Event, 64)
		for {
			n, err := r.Read(events)
			for _, e := range events[:n] {
				switch e.Kind {
				case event.KindFrame:
					frames++
				case event.KindDamaged:
					damaged++
				}
			}
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if frames != 29 || damaged != 1 {
			t.Errorf("%v: %d frames, %d damaged; want 29 and 1", tt.format, frames, damaged)
		}
	}
}
