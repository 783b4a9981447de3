package capture

import (
	"bytes"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/gopacket/gopacket/pcapgo"
	"go.einride.tech/can"
	"pgregory.net/rapid"

	"muster/internal/event"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// traffic draws events of one or two networks; lines only where withLines is set.
func traffic(t *rapid.T, networks int, withLines bool) []event.Event {
	var out []event.Event
	at := 1000 * rapid.Int64Range(1e15, 2e15).Draw(t, "start") // microseconds, which every format keeps
	known := [2]bool{}
	last := -1
	for range rapid.IntRange(1, 40).Draw(t, "count") {
		at += 1000 * rapid.Int64Range(0, 2e6).Draw(t, "step")
		net := rapid.IntRange(0, networks-1).Draw(t, "net")
		if !known[net] {
			if net == 1 && !known[0] {
				net = 0
			}
			if !known[net] {
				known[net] = true
				out = append(out, event.Event{Kind: event.KindNetwork, Time: event.Time(at), Network: uint16(net),
					Info: &event.Network{ID: []string{"can0", "vcan-long-name1"}[net], Kind: event.NMEA2000}})
			}
		}
		e := event.Event{Time: event.Time(at), Network: uint16(net), Kind: event.KindFrame, Sent: rapid.Bool().Draw(t, "sent")}
		f := &e.Frame
		switch rapid.IntRange(0, 5).Draw(t, "shape") {
		case 0:
			f.ID = uint32(rapid.IntRange(0, can.MaxID).Draw(t, "id"))
		case 1:
			e.Kind, f.ID = event.KindErrorFrame, uint32(rapid.IntRange(1, can.MaxExtendedID).Draw(t, "class"))
		default:
			f.ID, f.IsExtended = uint32(rapid.IntRange(0, can.MaxExtendedID).Draw(t, "id")), true
		}
		f.Length = uint8(rapid.IntRange(0, 8).Draw(t, "length"))
		f.IsRemote = e.Kind == event.KindFrame && rapid.IntRange(0, 9).Draw(t, "remote") == 0
		if !f.IsRemote {
			copy(f.Data[:f.Length], rapid.SliceOfN(rapid.Byte(), 8, 8).Draw(t, "data"))
		}
		out = append(out, e)
		last = len(out) - 1
		if withLines && last%7 == 3 {
			if !known[1] || networks == 1 {
				out = append(out, event.Event{Kind: event.KindNetwork, Time: event.Time(at), Network: uint16(networks), Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183}})
			}
			out = append(out, event.Event{Kind: event.KindLine, Time: event.Time(at), Network: uint16(networks),
				Line: []byte(rapid.SampledFrom([]string{"$SDDPT,12.4,0.5,50*4C", " garbled (line)", "*", "!AIVDM,1,1,,B,x,0*13", "(1) can0 123#"}).Draw(t, "line"))})
			withLines = false
		}
	}
	return out
}

func TestRoundTrip(t *testing.T) {
	for _, tt := range []struct {
		format   Format
		networks int
		lines    bool
	}{{FormatCandump, 2, false}, {FormatCandump, 1, true}, {FormatPcap, 1, false}, {FormatPcapng, 2, false}} {
		t.Run(tt.format.String(), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				events := traffic(t, tt.networks, tt.lines)
				var file bytes.Buffer
				w, err := NewWriter(&file, tt.format)
				if err != nil {
					t.Fatal(err)
				}
				var want []string
				for i := range events {
					if err := w.Write(&events[i]); err != nil {
						t.Fatal(err)
					}
					e := events[i]
					if tt.format == FormatPcap { // holds neither names nor directions, announces at once
						e.Sent = false
						if e.Kind == event.KindNetwork {
							e.Time = 0
						}
					}
					want = append(want, show(&e))
				}
				if err := w.Flush(); err != nil {
					t.Fatal(err)
				}
				if w.Size() != int64(file.Len()) {
					t.Fatalf("size %d, wrote %d", w.Size(), file.Len())
				}
				r, err := NewReader(&file)
				if err != nil {
					t.Fatal(err)
				}
				var got []string
				buf := make([]event.Event, 7)
				for {
					n, err := r.Read(buf)
					for i := range buf[:n] {
						got = append(got, show(&buf[i]))
					}
					if err == io.EOF {
						break
					}
					if err != nil {
						t.Fatal(err)
					}
				}
				if d := cmp.Diff(want, got); d != "" {
					t.Fatal(d)
				}
			})
		})
	}
}

// sample is one event of every kind that a file can hold.
func sample() []event.Event {
	at := event.At(time.Date(2026, 5, 1, 8, 0, 0, 123456789, time.UTC))
	frame := func(id uint32, ext bool, data ...byte) can.Frame {
		f := can.Frame{ID: id, IsExtended: ext, Length: uint8(len(data))}
		copy(f.Data[:], data)
		return f
	}
	return []event.Event{
		{Kind: event.KindNetwork, Time: at, Info: &event.Network{ID: "can0", Kind: event.NMEA2000}},
		{Kind: event.KindFrame, Time: at, Frame: frame(0x09F80102, true, 0x36, 0x72, 0x9A, 0x16, 0x02, 0x1A, 0xB8, 0x0D)},
		{Kind: event.KindFrame, Time: at + 1, Frame: frame(0x18EAFFFE, true, 0x00, 0xEE, 0x00), Sent: true},
		{Kind: event.KindFrame, Time: at + 2, Frame: frame(0x123, false)},
		{Kind: event.KindFrame, Time: at + 3, Frame: can.Frame{ID: 0x123, IsRemote: true, Length: 5}},
		{Kind: event.KindErrorFrame, Time: at + 4, Frame: frame(0x04, false, 0, 4, 0, 0, 0, 0, 0, 0x60)},
		{Kind: event.KindDropped, Time: at + 4, Count: 3},
		{Kind: event.KindNetwork, Time: at + 5, Network: 1, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183}},
		{Kind: event.KindLine, Time: at + 5, Network: 1, Line: []byte("$SDDPT,12.4,0.5,50*4C")},
		{Kind: event.KindLine, Time: at + 6, Network: 1, Line: []byte("PT,12.4,0.5,50*4C")},
		{Kind: event.KindLine, Time: at + 7, Network: 1, Line: []byte("$IISDQ,VER*2B"), Sent: true},
		{Kind: event.KindLine, Time: at + 8, Network: 1, Line: []byte("$SDTXT,01,01,01,no checksum T")},
		{Kind: event.KindDown, Time: at + 9},
	}
}

func TestGolden(t *testing.T) {
	for format, skipped := range map[Format]uint64{FormatCandump: 1, FormatPcap: 6, FormatPcapng: 6, FormatNMEA0183: 7} {
		t.Run(format.String(), func(t *testing.T) {
			var file bytes.Buffer
			w, err := NewWriter(&file, format)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range sample() {
				if err := w.Write(&e); err != nil {
					t.Fatal(err)
				}
			}
			if err := w.Flush(); err != nil {
				t.Fatal(err)
			}
			if w.Skipped() != skipped {
				t.Errorf("skipped %d, want %d", w.Skipped(), skipped)
			}
			events := strings.Join(readAll(t, open(t, bytes.NewReader(file.Bytes())), 16), "\n") + "\n"
			compare(t, filepath.Join("testdata", "sample."+format.String()), file.String())
			compare(t, filepath.Join("testdata", "sample."+format.String()+".events"), events)
		})
	}
}

func compare(t *testing.T, name, got string) {
	t.Helper()
	if *update {
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s differs (rewrite with -update):\n%s", name, d)
	}
}

// gopacket's independent reader must find in our files what we put in.
func TestAgainstPcapgo(t *testing.T) {
	for _, format := range []Format{FormatPcap, FormatPcapng} {
		t.Run(format.String(), func(t *testing.T) {
			var file bytes.Buffer
			w, err := NewWriter(&file, format)
			if err != nil {
				t.Fatal(err)
			}
			events := sample()[:6]
			for i := range events {
				if err := w.Write(&events[i]); err != nil {
					t.Fatal(err)
				}
			}
			if err := w.Flush(); err != nil {
				t.Fatal(err)
			}
			next, err := packets(&file, format)
			if err != nil {
				t.Fatal(err)
			}
			for i := 1; i < len(events); i++ {
				data, at, err := next()
				if err != nil {
					t.Fatal(err)
				}
				var want [16]byte
				n := putFrame(want[:], &events[i])
				if !bytes.Equal(data, want[:n]) || event.At(at) != events[i].Time {
					t.Errorf("record %d: % X at %d, want % X at %d", i, data, event.At(at), want[:n], events[i].Time)
				}
			}
			if _, _, err := next(); err != io.EOF {
				t.Errorf("after the last record: %v", err)
			}
		})
	}
}

func packets(r io.Reader, format Format) (func() ([]byte, time.Time, error), error) {
	if format == FormatPcap {
		p, err := pcapgo.NewReader(r)
		if err != nil {
			return nil, err
		}
		return func() ([]byte, time.Time, error) {
			data, ci, err := p.ReadPacketData()
			return data, ci.Timestamp, err
		}, nil
	}
	p, err := pcapgo.NewNgReader(r, pcapgo.DefaultNgReaderOptions)
	if err != nil {
		return nil, err
	}
	return func() ([]byte, time.Time, error) {
		data, ci, err := p.ReadPacketData()
		return data, ci.Timestamp, err
	}, nil
}

func TestWriterErrors(t *testing.T) {
	if _, err := NewWriter(io.Discard, FormatCandumpHuman); err == nil {
		t.Error("the column form was accepted for writing")
	}
	w, err := NewWriter(io.Discard, FormatPcap)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []bool{true, false} {
		e := event.Event{Kind: event.KindNetwork, Network: uint16(i), Info: &event.Network{ID: []string{"can0", "can1"}[i], Kind: event.NMEA2000}}
		if err := w.Write(&e); (err == nil) != want {
			t.Errorf("network %d: %v", i, err)
		}
	}
}
