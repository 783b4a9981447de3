package tap

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
	"muster/internal/hosttest"
)

func TestMain(m *testing.M) { hosttest.Main(m) }

func show(e *event.Event) string {
	s := fmt.Sprintf("net%d %s", e.Network, e.Kind)
	switch e.Kind {
	case event.KindFrame, event.KindErrorFrame:
		s += fmt.Sprintf(" %X ext=%v rtr=%v [%d] % X", e.Frame.ID, e.Frame.IsExtended, e.Frame.IsRemote, e.Frame.Length, e.Frame.Data[:e.Frame.Length])
	case event.KindNetwork:
		s += fmt.Sprintf(" %s %s %d listen=%v", e.Info.ID, e.Info.Kind, e.Info.BitRate, e.Info.Listen)
	case event.KindLine, event.KindDamaged:
		s += fmt.Sprintf(" %q", e.Line)
	case event.KindController, event.KindOversize, event.KindDropped:
		s += fmt.Sprintf(" %d", e.Count)
	}
	if e.Sent {
		s += " sent"
	}
	return s
}

// take reads until n events have come.
func take(t *testing.T, s Source, n int) []string {
	t.Helper()
	var out []string
	events := make([]event.Event, 3)
	for len(out) < n {
		k, err := s.Read(events)
		for i := range events[:k] {
			out = append(out, show(&events[i]))
		}
		if err != nil {
			t.Fatalf("after %q: %v", out, err)
		}
	}
	return out
}

func expect(t *testing.T, s Source, want ...string) {
	t.Helper()
	if d := cmp.Diff(want, take(t, s, len(want))); d != "" {
		t.Fatal(d)
	}
}

// closeEnds closes s while a Read waits, which must then return io.EOF.
func closeEnds(t *testing.T, s Source) {
	t.Helper()
	done := make(chan error)
	go func() {
		events := make([]event.Event, 4)
		for {
			if _, err := s.Read(events); err != nil {
				done <- err
				return
			}
		}
	}()
	s.Close()
	s.Close()
	if err := <-done; err != io.EOF {
		t.Errorf("read after close: %v", err)
	}
}

func TestOpenErrors(t *testing.T) {
	dir := t.TempDir()
	prose := filepath.Join(dir, "prose.txt")
	if err := os.WriteFile(prose, []byte("Dear captain,\nthe head is blank.\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ spec, want string }{
		{"", "the name is empty"},
		{"no-such-file.log", "give the path of a capture file"},
		{"can97", ""},
		{"socketcan:can97", ""},
		{dir, "it is a directory"},
		{prose, "unknown capture format"},
		{"serial:", "no serial port is named"},
		{"serial:/dev/nothing", "connect the adapter"},
		{"serial:/dev/nothing?bauds=9", `option "bauds" is not known`},
		{"0183:/dev/nothing?baud=fast", `baud "fast": give a number`},
		{"udp:localhost", "not an IPv4 group and port"},
		{"0183+tcp:host", "not host:port"},
		{"0183+udp:x", "not [host]:port"},
		{"sim:demo", "the simulator is not available here"},
		{"ftp:host", "not a source"},
	} {
		t.Run(tt.spec, func(t *testing.T) {
			s, err := Open(tt.spec, Options{})
			if err == nil {
				s.Close()
				t.Fatal("opened")
			}
			if !strings.Contains(err.Error(), tt.want) || strings.Contains(err.Error(), "\n") {
				t.Errorf("got %q, want one line with %q", err, tt.want)
			}
		})
	}
	if _, err := OpenSender("udp:239.74.163.2:5000", Options{}); !errors.Is(err, ErrNoTransmit) {
		t.Errorf("OpenSender without leave: %v", err)
	}
}

// TestBackbone: the id is the one that the open source gives, where there is something to open.
func TestBackbone(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := os.WriteFile("log1", nil, 0o600); err != nil {
		t.Fatal(err)
	}
	udp := "udp:" + hosttest.Address(t)
	for _, tt := range []struct {
		spec, want string
		known      bool
	}{
		{"can0", "can0", true},
		{"socketcan:vcan1", "vcan1", true},
		{"serial:/dev/serial/by-id/ttyACM0?baud=115200", "ttyACM0", true},
		{udp, udp, true},
		{"udp:239.74.163.2:5000?if=eth0", "udp:239.74.163.2:5000", true},
		{"0183:/dev/ttyUSB0?baud=4800", "", true},
		{"0183+tcp:host:10110", "", true},
		{"0183+udp::10110", "", true},
		{"log1", "", false}, // a file called like an interface
		{"quay.log", "", false},
		{"-", "", false},
		{"sim:demo", "", false},
		{"", "", false},
	} {
		if id, known := Backbone(tt.spec); known != tt.known || id != tt.want {
			t.Errorf("%s: %q %v", tt.spec, id, known)
		}
	}
	s, err := Open(udp, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	buf := make([]event.Event, 4)
	if n, err := s.Read(buf); n == 0 || buf[0].Info == nil || buf[0].Info.ID != udp {
		t.Errorf("the open source says %+v %v", buf[:n], err)
	}
}

const twoFrames = "(1700000000.000001) can0 123#01\n(1700000002.000001) can0 123#02\n"

func TestFileAndStdin(t *testing.T) {
	name := filepath.Join(t.TempDir(), "quay.log")
	if err := os.WriteFile(name, []byte(twoFrames), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, spec := range []string{name, "-"} {
		s, err := Open(spec, Options{Stdin: strings.NewReader(twoFrames)})
		if err != nil {
			t.Fatal(err)
		}
		expect(t, s, "net0 network can0 nmea2000 0 listen=false", "net0 frame 123 ext=false rtr=false [1] 01", "net0 frame 123 ext=false rtr=false [1] 02")
		if _, err := s.Read(make([]event.Event, 1)); err != io.EOF {
			t.Errorf("at the end: %v", err)
		}
		if read, _ := s.(Recorded).Progress(); read != int64(len(twoFrames)) {
			t.Errorf("progress %d", read)
		}
		s.Close()
	}
	pr, pw := io.Pipe()
	defer pw.Close()
	s, err := Open("-", Options{Stdin: pr})
	if err != nil {
		t.Fatal(err)
	}
	closeEnds(t, s)
}

func TestTCPLineReconnects(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	conns := make(chan net.Conn, 4)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			conns <- c
		}
	}()
	s, err := Open("0183+tcp:"+l.Addr().String(), Options{Retry: time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	c := <-conns
	expect(t, s, "net0 network "+l.Addr().String()+" nmea0183 0 listen=false")
	io.WriteString(c, "$A*00\r\n"+strings.Repeat("x", 700)+"\r\n$B")
	expect(t, s, `net0 line "$A*00"`, fmt.Sprintf("net0 line %q", strings.Repeat("x", maxLine)), fmt.Sprintf("net0 line %q", strings.Repeat("x", 700-maxLine)))
	io.WriteString(c, "*01\r\n")
	expect(t, s, `net0 line "$B*01"`)
	c.Close()
	expect(t, s, "net0 down", "net0 up")
	c = <-conns
	io.WriteString(c, "$C*00\n")
	expect(t, s, `net0 line "$C*00"`)
	closeEnds(t, s)
	c.Close()
	l.Close()
	<-done
}

func TestUDPLine(t *testing.T) {
	addr := hosttest.Address(t)
	s, err := Open("0183+udp:"+addr, Options{})
	if err != nil {
		t.Fatal(err)
	}
	c, err := net.Dial("udp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	io.WriteString(c, "$A*00\r\n\r\n$B*00")
	io.WriteString(c, strings.Repeat("y", 600))
	expect(t, s, "net0 network udp:"+addr+" nmea0183 0 listen=false", `net0 line "$A*00"`, `net0 line "$B*00"`,
		fmt.Sprintf("net0 line %q", strings.Repeat("y", maxLine)), fmt.Sprintf("net0 line %q", strings.Repeat("y", 600-maxLine)))
	closeEnds(t, s)
}

func TestUDPFrames(t *testing.T) {
	group := fmt.Sprintf("udp:239.74.163.2:%d", hosttest.Port(t))
	s, err := OpenSender(group, Options{Transmit: true})
	if err != nil {
		t.Skipf("no multicast here: %v", err)
	}
	f := event.Event{}.Frame
	f.ID, f.IsExtended, f.Length, f.Data[1] = 0x18EAFFFE, true, 3, 0xEE
	if err := s.Send(f); err != nil {
		s.Close()
		t.Skipf("no multicast here: %v", err)
	}
	expect(t, s, "net0 network "+group+" nmea2000 0 listen=false", "net0 frame 18EAFFFE ext=true rtr=false [3] 00 EE 00 sent")
	f.Length = 9
	if err := s.Send(f); err == nil {
		t.Error("nine bytes were sent")
	}
	closeEnds(t, s)
}

func TestParseSLCAN(t *testing.T) {
	for _, tt := range []struct{ in, want string }{
		{"T18EAFFFE300EE00", "net0 frame 18EAFFFE ext=true rtr=false [3] 00 EE 00"},
		{"t1230", "net0 frame 123 ext=false rtr=false [0] "},
		{"t12321122AFFE", "net0 frame 123 ext=false rtr=false [2] 11 22"},
		{"r1235", "net0 frame 123 ext=false rtr=true [5] 00 00 00 00 00"},
		{"R12345678", "net0 frame 12345678 ext=true rtr=true [0] "},
		{"sw096000", "net0 controller 1"},
		{"sb000255", "net0 controller 3"},
		{"e1c", "net0 error-frame 88 ext=false rtr=false [8] 00 00 00 08 00 00 00 00"},
		{"d1239001122", "net0 oversize 1"},
		{"t1239", `net0 damaged "not a line of a serial adapter"`},
		{"t8000", `net0 damaged "not a line of a serial adapter"`},
		{"T18EAFFFE3", `net0 damaged "not a line of a serial adapter"`},
		{"hello", `net0 damaged "not a line of a serial adapter"`},
		{"z", "net0 none"},
		{"V1013", "net0 none"},
	} {
		var e event.Event
		parseSLCAN([]byte(tt.in), &e)
		if got := show(&e); got != tt.want {
			t.Errorf("%q: got %s, want %s", tt.in, got, tt.want)
		}
	}
}

// FuzzSLCAN: no line panics, and a frame that is read is written and read the same.
func FuzzSLCAN(f *testing.F) {
	for _, s := range []string{"T18EAFFFE300EE00", "t1230", "r1235", "sa000000", "e2ab", "d1239", "t12321122AFFE", "z"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		if len(line) == 0 {
			return
		}
		var e event.Event
		parseSLCAN(line, &e)
		if e.Kind != event.KindFrame {
			return
		}
		if err := e.Frame.Validate(); err != nil {
			t.Fatal(err)
		}
		back := appendSLCAN(nil, &e.Frame)
		var again event.Event
		parseSLCAN(back[:len(back)-1], &again)
		if again.Frame != e.Frame {
			t.Fatalf("%q came back as %q", line, back)
		}
	})
}
