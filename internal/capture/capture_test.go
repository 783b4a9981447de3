package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"muster/internal/event"
)

// show writes an event as one line, for comparing.
func show(e *event.Event) string {
	s := fmt.Sprintf("%d net%d %s", e.Time, e.Network, e.Kind)
	switch e.Kind {
	case event.KindFrame, event.KindErrorFrame:
		s += fmt.Sprintf(" %X ext=%v rtr=%v [%d] % X", e.Frame.ID, e.Frame.IsExtended, e.Frame.IsRemote, e.Frame.Length, e.Frame.Data[:e.Frame.Length])
	case event.KindNetwork:
		n := e.Info // its Queue is of live sources only
		s += fmt.Sprintf(" {ID:%s Kind:%s BitRate:%d Listen:%t Unstamped:%t}", n.ID, n.Kind, n.BitRate, n.Listen, n.Unstamped)
	case event.KindLine:
		s += fmt.Sprintf(" %q", e.Line)
	case event.KindDamaged:
		s += fmt.Sprintf(" %d× %s", e.Count, e.Line)
	case event.KindDropped, event.KindOversize:
		s += fmt.Sprintf(" %d", e.Count)
	}
	if e.Sent {
		s += " sent"
	}
	return s
}

func readAll(t testing.TB, r *Reader, batch int) []string {
	t.Helper()
	var out []string
	events := make([]event.Event, batch)
	for {
		n, err := r.Read(events)
		for i := range events[:n] {
			out = append(out, show(&events[i]))
		}
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func open(t testing.TB, in io.Reader) *Reader {
	t.Helper()
	r, err := NewReader(in)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// The lines of the log and column forms were made by candump 2020.11 (see reference: socketcan, section 5) unless marked.
func TestText(t *testing.T) {
	tests := []struct {
		name, in string
		format   Format
		want     []string
	}{
		{"log", "(1700000000.000001) can0 09F80102#36729A16021AB80D\n", FormatCandump, []string{
			"1700000000000001000 net0 network {ID:can0 Kind:nmea2000 BitRate:0 Listen:false Unstamped:false}",
			"1700000000000001000 net0 frame 9F80102 ext=true rtr=false [8] 36 72 9A 16 02 1A B8 0D",
		}},
		{"variants",
			"(1700000000.000001) can0 123#R5\n(1700000000.000001) can0 12345678#R\n(1700000000.000001) can0 123##3112233\n" +
				"(1700000000.000001) can0 20000004#0004000000000060\n(1700000000.000000001) can0 18EAFFFE#00EE00 T\n" +
				"(1700000000.000001) can0 123#11.22 R\n(1700000000.000001) can0 123#1122334455667788_F\n" +
				"DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 7)\n", FormatCandump, []string{
				"1700000000000001000 net0 network {ID:can0 Kind:nmea2000 BitRate:0 Listen:false Unstamped:false}",
				"1700000000000001000 net0 frame 123 ext=false rtr=true [5] 00 00 00 00 00",
				"1700000000000001000 net0 frame 12345678 ext=true rtr=true [0] ",
				"1700000000000001000 net0 oversize 1",
				"1700000000000001000 net0 error-frame 4 ext=false rtr=false [8] 00 04 00 00 00 00 00 60",
				"1700000000000000001 net0 frame 18EAFFFE ext=true rtr=false [3] 00 EE 00 sent",
				"1700000000000001000 net0 frame 123 ext=false rtr=false [2] 11 22",
				"1700000000000001000 net0 frame 123 ext=false rtr=false [8] 11 22 33 44 55 66 77 88",
				"1700000000000001000 net0 dropped 3",
			}},
		{"columns",
			" (1700000000.000001)  can1  09F80102   [8]  36 72 9A 16 02 1A B8 0D   '6r......'\n can1       123   [0]  remote request\n" +
				" (1700000000.000002)  can1  TX - -  18EAFFFE   [3]  00 EE 00\n (1700000000.000003)  can1  20000004   [8]  00 04 00 00 00 00 00 60   ERRORFRAME\n" +
				" (1700000000.000004)  can1  123   [03]  11 22 33\n (1700000000.000005)  can1  18EAFFFE   [3]  00`EE`01\n", FormatCandumpHuman, []string{
				"1700000000000001000 net0 network {ID:can1 Kind:nmea2000 BitRate:0 Listen:false Unstamped:false}",
				"1700000000000001000 net0 frame 9F80102 ext=true rtr=false [8] 36 72 9A 16 02 1A B8 0D",
				"1700000000000001000 net0 frame 123 ext=false rtr=true [0] ",
				"1700000000000002000 net0 frame 18EAFFFE ext=true rtr=false [3] 00 EE 00 sent",
				"1700000000000003000 net0 error-frame 4 ext=false rtr=false [8] 00 04 00 00 00 00 00 60",
				"1700000000000004000 net0 oversize 1",
				"1700000000000005000 net0 frame 18EAFFFE ext=true rtr=false [3] 01 EE 00",
			}},
		{"columns without time", "  can0  09F80102   [2]  36 72\n", FormatCandumpHuman, []string{
			"0 net0 network {ID:can0 Kind:nmea2000 BitRate:0 Listen:false Unstamped:true}",
			"0 net0 frame 9F80102 ext=true rtr=false [2] 36 72",
		}},
		{"columns with date", " (2023-11-14 22:13:20.000001)  can0  09F80102   [2]  36 72\n", FormatCandumpHuman, []string{
			"1700000000000001000 net0 network {ID:can0 Kind:nmea2000 BitRate:0 Listen:false Unstamped:false}",
			"1700000000000001000 net0 frame 9F80102 ext=true rtr=false [2] 36 72",
		}},
		{"sentences", "$SDDPT,12.4,0.5,50*4C\r\ngarbage\n", FormatNMEA0183, []string{
			"0 net0 network {ID:line0 Kind:nmea0183 BitRate:0 Listen:false Unstamped:true}",
			`0 net0 line "$SDDPT,12.4,0.5,50*4C"`, `0 net0 line "garbage"`,
		}},
		{"tag block", `\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\!AIVDM,1,1,,B,15N4cJ` + "`005Jrek0H@9n`DW5608EP,0*13\n$SDDPT,12.4,0.5,50*4C\n", FormatNMEA0183, []string{
			"1241544035000000000 net0 network {ID:line0 Kind:nmea0183 BitRate:0 Listen:false Unstamped:false}",
			"1241544035000000000 net0 line \"\\\\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\\\\!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0*13\"",
			`1241544035000000000 net0 line "$SDDPT,12.4,0.5,50*4C"`,
		}},
		{"prefixed sentences", "2023-11-14T22:13:20.25Z $SDDPT,1,,*4C\n[1700000001.5] $SDDPT,2,,*4C\n1700000002: $SDDPT,3,,*4C\n2023-11-15 00:13:23+02:00;$SDDPT,4,,*4C\n", FormatNMEA0183, []string{
			"1700000000250000000 net0 network {ID:line0 Kind:nmea0183 BitRate:0 Listen:false Unstamped:false}",
			`1700000000250000000 net0 line "$SDDPT,1,,*4C"`, `1700000001500000000 net0 line "$SDDPT,2,,*4C"`,
			`1700000002000000000 net0 line "$SDDPT,3,,*4C"`, `1700000003000000000 net0 line "$SDDPT,4,,*4C"`,
		}},
		{"mixed networks", "(1700000000.000001) can0 123#\n(1700000000.000002) ttyUSB0 $SDDPT,12.4,0.5,50*4C\n(1700000000.000003) ttyUSB0 *garbled\n", FormatCandump, []string{
			"1700000000000001000 net0 network {ID:can0 Kind:nmea2000 BitRate:0 Listen:false Unstamped:false}",
			"1700000000000001000 net0 frame 123 ext=false rtr=false [0] ",
			"1700000000000002000 net1 network {ID:ttyUSB0 Kind:nmea0183 BitRate:0 Listen:false Unstamped:false}",
			`1700000000000002000 net1 line "$SDDPT,12.4,0.5,50*4C"`,
			`1700000000000003000 net1 line "garbled"`,
		}},
		{"hostile",
			"rubbish first\n(1700000000.000001) can0 09F80102#36\n(17x0000000.000001) can0 09F80102#36\n(1700000000.000001) can0 19F8010#36\n" +
				"(1700000000.000001) can0 FFFFFFFF#36\n(1700000000.000001) can0 09F80102#3\n(1700000000.000001) can0 09F80102#112233445566778899\n" +
				"(1700000000.000001) " + strings.Repeat("x", 40) + " 09F80102#36\n" + strings.Repeat("y", 2000) + "\n" + strings.Repeat("y", 600000) + "\n" +
				"\x00\xff\n\n(1700000000.000001) can0 09F80102#3672", FormatCandump, []string{
				"1700000000000001000 net0 network {ID:can0 Kind:nmea2000 BitRate:0 Listen:false Unstamped:false}",
				"0 net0 damaged 1× not a line of a capture",
				"1700000000000001000 net0 frame 9F80102 ext=true rtr=false [1] 36",
				"1700000000000001000 net0 damaged 1× bad time stamp",
				"1700000000000001000 net0 damaged 2× bad identifier",
				"1700000000000001000 net0 damaged 1× bad data",
				"1700000000000001000 net0 damaged 1× bad data length",
				"1700000000000001000 net0 damaged 1× bad interface name",
				"1700000000000001000 net0 damaged 1× line too long",
				"1700000000000001000 net0 damaged 1× line too long",
				"1700000000000001000 net0 damaged 1× not a line of a capture",
				"1700000000000001000 net0 damaged 1× cut off at the end",
			}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := open(t, strings.NewReader(tt.in))
			if r.Format() != tt.format {
				t.Errorf("format %v, want %v", r.Format(), tt.format)
			}
			if d := cmp.Diff(tt.want, readAll(t, r, 64)); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestPacked(t *testing.T) {
	plain := strings.Repeat("(1700000000.000001) can0 09F80102#36729A16021AB80D\n", 5000)
	want := readAll(t, open(t, strings.NewReader(plain)), 100)
	var gz, zs bytes.Buffer
	g := gzip.NewWriter(&gz)
	io.WriteString(g, plain)
	g.Close()
	z, _ := zstd.NewWriter(&zs)
	io.WriteString(z, plain)
	z.Close()
	for name, b := range map[string][]byte{"gzip": gz.Bytes(), "zstd": zs.Bytes()} {
		t.Run(name, func(t *testing.T) {
			r := open(t, bytes.NewReader(b))
			if d := cmp.Diff(want, readAll(t, r, 100)); d != "" {
				t.Error(d)
			}
			if read, total := r.Progress(); read != int64(len(b)) || total != read {
				t.Errorf("progress %d of %d, want all of %d", read, total, len(b))
			}
		})
		t.Run(name+" torn", func(t *testing.T) {
			got := readAll(t, open(t, bytes.NewReader(b[:len(b)-6])), 100)
			if last := got[len(got)-1]; !strings.HasSuffix(last, "packing damaged") {
				t.Errorf("ends with %q", last)
			}
		})
	}
}

func TestNewReaderErrors(t *testing.T) {
	ethernet := "\xd4\xc3\xb2\xa1\x02\x00\x04\x00\x00\x00\x00\x00\x00\x00\x00\x00\xff\xff\x00\x00\x01\x00\x00\x00"
	for _, tt := range []struct {
		name, in string
		want     error
	}{
		{"empty", "", ErrEmpty},
		{"prose", "Dear captain,\nthe head is blank.\n", ErrUnknownFormat},
		{"a console's text", "Then:\n$ muster audit can0\n![a picture](boat.png)\n\\section\n", ErrUnknownFormat},
		{"a picture", "\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\n$\x9b\x01,\xd1\n!\n\\\\\n", ErrUnknownFormat},
		{"zeros", strings.Repeat("\x00", 1<<20), ErrUnknownFormat},
		{"ethernet", ethernet, ErrLinkType},
		{"zstd with a window of 128 MB", "\x28\xb5\x2f\xfd\x00\x88\x03\x00\x00x", ErrWindow},
		{"gzip head only", "\x1f\x8b\x08\x00", ErrPacking},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := NewReader(strings.NewReader(tt.in)); !errors.Is(err, tt.want) || strings.Contains(err.Error(), "\n") {
				t.Errorf("got %v, want %v on one line", err, tt.want)
			}
		})
	}
}

// A broken input is an error, not damage: what was read before it is delivered first.
func TestReadError(t *testing.T) {
	broken := errors.New("unplugged")
	r := open(t, io.MultiReader(strings.NewReader("(1700000000.000001) can0 123#\n"), iotestErr{broken}))
	events := make([]event.Event, 8)
	if n, err := r.Read(events); n != 2 || err != nil {
		t.Fatalf("got %d, %v", n, err)
	}
	if n, err := r.Read(events); n != 0 || !errors.Is(err, broken) {
		t.Errorf("got %d, %v", n, err)
	}
}

type iotestErr struct{ err error }

func (e iotestErr) Read([]byte) (int, error) { return 0, e.err }

// Lines that come one at a time are handed on one at a time.
func TestReadDoesNotWait(t *testing.T) {
	pr, pw := io.Pipe()
	go io.WriteString(pw, "(1700000000.000001) can0 123#\n")
	r := open(t, pr)
	events := make([]event.Event, 8)
	if n, err := r.Read(events); n != 2 || err != nil {
		t.Errorf("got %d, %v", n, err)
	}
	pw.Close()
}
