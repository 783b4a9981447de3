package tap

import (
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/mdlayher/netlink"
	"github.com/mdlayher/netlink/nltest"
	"go.einride.tech/can"
	"golang.org/x/sys/unix"

	"muster/internal/event"
	"muster/internal/hosttest"
)

// udpReceiver is the SocketCAN receive path on a loopback UDP socket, which has the same time stamps and loss counts.
func udpReceiver(tb testing.TB, buffer int) (*receiver, net.Conn) {
	tb.Helper()
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		tb.Fatal(err)
	}
	if err := unix.Bind(fd, &unix.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		tb.Fatal(err)
	}
	name, err := unix.Getsockname(fd)
	if err != nil {
		tb.Fatal(err)
	}
	r, err := newReceiver(fd, "loopback", buffer)
	if err != nil {
		tb.Fatal(err)
	}
	c, err := net.Dial("udp", fmt.Sprintf("127.0.0.1:%d", name.(*unix.SockaddrInet4).Port))
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { c.Close(); r.file.Close() })
	return r, c
}

func rawFrame(id uint32, data ...byte) []byte {
	b := make([]byte, frameSize)
	binary.NativeEndian.PutUint32(b, id)
	b[4] = byte(len(data))
	copy(b[8:], data)
	return b
}

func TestReceiver(t *testing.T) {
	r, c := udpReceiver(t, 1<<20)
	before := event.At(time.Now())
	xl := make([]byte, 20)
	xl[4] = 0x80
	for _, b := range [][]byte{
		rawFrame(0x09F80102|flagExtended, 1, 2, 3), rawFrame(0x123 | flagRemote), rawFrame(flagError|0x04, 0, 4, 0, 0, 0, 0, 0, 96),
		make([]byte, 72), xl, {1, 2, 3}, rawFrame(0x900), append(rawFrame(0x123)[:4], 9, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0),
	} {
		c.Write(b)
	}
	want := []string{"net0 frame 9F80102 ext=true rtr=false [3] 01 02 03", "net0 frame 123 ext=false rtr=true [0] ",
		"net0 error-frame 4 ext=false rtr=false [8] 00 04 00 00 00 00 00 60", "net0 oversize 1", "net0 oversize 1",
		`net0 damaged "impossible frame"`, `net0 damaged "impossible frame"`, `net0 damaged "impossible frame"`}
	events := make([]event.Event, 3)
	for i := 0; i < len(want); {
		if r.next == r.got {
			if err := r.wait(64, false); err != nil {
				t.Fatal(err)
			}
		}
		n := r.take(events, func() time.Time { t.Error("the kernel gave no time"); return time.Now() })
		for k := range events[:n] {
			if got := show(&events[k]); got != want[i] {
				t.Errorf("event %d: got %s, want %s", i, got, want[i])
			}
			if d := events[k].Time.Sub(before); d < -time.Second || d > time.Hour {
				t.Errorf("event %d: time off by %v", i, d)
			}
			i++
		}
	}
}

// What the kernel drops is reported, and exactly.
func TestReceiverCountsLosses(t *testing.T) {
	r, c := udpReceiver(t, 4096)
	const sent = 500
	for range sent {
		c.Write(rawFrame(0x123, 1))
	}
	frames, dropped := 0, 0
	count := func() {
		if err := r.wait(64, false); err != nil {
			t.Fatal(err)
		}
		events := make([]event.Event, 200)
		for _, e := range events[:r.take(events, time.Now)] {
			switch e.Kind {
			case event.KindFrame:
				frames++
			case event.KindDropped:
				dropped += int(e.Count)
			}
		}
	}
	for dropped+frames < sent { // the count rides on a frame queued after the losses
		if r.file.SetReadDeadline(time.Now().Add(time.Minute)); frames > 0 && dropped == 0 {
			c.Write(rawFrame(0x123, 2))
			frames--
		}
		count()
	}
	if frames+dropped != sent || dropped == 0 {
		t.Errorf("%d frames and %d dropped of %d", frames, dropped, sent)
	}
}

// TestUDPLosses: what a UDP source loses for lack of room is reported, and exactly.
func TestUDPLosses(t *testing.T) {
	for spec, payload := range map[string][]byte{"udp:127.0.0.1:%d": rawFrame(0x123, 1), "0183+udp:127.0.0.1:%d": []byte("$IIHDG,101.1,,,7.1,W*3A\r\n")} {
		port := hosttest.Port(t)
		s, err := Open(fmt.Sprintf(spec, port), Options{ReceiveBuffer: 4096})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		c, err := net.Dial("udp", fmt.Sprintf("127.0.0.1:%d", port))
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		sent := 500
		for range sent {
			c.Write(payload)
		}
		heard, dropped := 0, 0
		events := make([]event.Event, 16)
		for heard+dropped < sent {
			n, err := s.Read(events)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range events[:n] {
				switch e.Kind {
				case event.KindFrame, event.KindLine:
					if heard++; heard == 1 || dropped == 0 { // the count rides on what comes after the loss
						c.Write(payload)
						sent++
					}
				case event.KindDropped:
					dropped += int(e.Count)
				}
			}
		}
		if heard+dropped != sent || dropped == 0 {
			t.Errorf("%s: %d heard and %d dropped of %d", spec, heard, dropped, sent)
		}
	}
}

// TestReceiveQueue: without a privilege the kernel grants what net.core.rmem_max allows, which is reported; what it
// grants in full is not.
func TestReceiveQueue(t *testing.T) {
	if r, _ := udpReceiver(t, 4096); r.queue != 0 {
		t.Errorf("a small queue is cut to %d", r.queue)
	}
	text, err := os.ReadFile("/proc/sys/net/core/rmem_max")
	if err != nil {
		t.Fatal(err)
	}
	limit, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	t.Run("without a privilege", func(t *testing.T) {
		runtime.LockOSThread() // the thread ends with this test, and what it gave up with it
		var none [2]unix.CapUserData
		if err := unix.Capset(&unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}, &none[0]); err != nil {
			t.Fatal(err)
		}
		if r, _ := udpReceiver(t, limit+1<<20); r.queue != limit {
			t.Errorf("cut to %d, the system's limit is %d", r.queue, limit)
		}
	})
}

// TestStateAfterFrames: what is learnt of the interface while frames wait comes behind them, for their times are the earlier ones.
func TestStateAfterFrames(t *testing.T) {
	r, c := udpReceiver(t, 1<<20)
	l := &canLink{receiver: r, opts: Options{Gather: -1}.withDefaults()}
	const sent = 2*batch + 3
	for range sent {
		c.Write(rawFrame(0x123, 1))
	}
	l.queue = append(l.queue, event.Event{Kind: event.KindDropped, Time: event.At(time.Now().Add(time.Second)), Count: 7})
	events := make([]event.Event, 300)
	frames, last := 0, event.Time(0)
	for {
		n, err := l.read(events)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range events[:n] {
			if e.Time < last {
				t.Errorf("%s goes back by %v", show(&e), last.Sub(e.Time))
			}
			if last = e.Time; e.Kind == event.KindFrame {
				frames++
			} else if frames != sent {
				t.Fatalf("%s after %d frames of %d", show(&e), frames, sent)
			} else {
				return
			}
		}
	}
}

func TestReceiverAllocations(t *testing.T) {
	r, c := udpReceiver(t, 1<<20)
	b := rawFrame(0x123, 1)
	events := make([]event.Event, 8)
	now := time.Now
	if n := testing.AllocsPerRun(100, func() {
		c.Write(b)
		if r.wait(8, false) == nil {
			r.take(events, now)
		}
	}); n != 0 {
		t.Errorf("%v allocations a batch", n)
	}
}

func BenchmarkReceive(b *testing.B) {
	r, c := udpReceiver(b, 4<<20)
	frame, events := rawFrame(0x123, 1), make([]event.Event, batch)
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		for range batch {
			c.Write(frame)
		}
		b.StartTimer()
		for got := 0; got < batch; got += r.take(events, time.Now) {
			if err := r.wait(batch, false); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/batch, "ns/frame")
}

func FuzzParseControl(f *testing.F) {
	f.Add(make([]byte, 64))
	f.Add([]byte("\x20\x00\x00\x00\x00\x00\x00\x00\x01\x00\x00\x00\x40\x00\x00\x00\x00\xf1\x53\x65\x00\x00\x00\x00\x01\x00\x00\x00\x00\x00\x00\x00"))
	f.Add([]byte("\x14\x00\x00\x00\x00\x00\x00\x00\x01\x00\x00\x00\x28\x00\x00\x00\x05\x00\x00\x00"))
	f.Fuzz(func(_ *testing.T, b []byte) { parseControl(b) })
}

func attr(kind uint16, value ...byte) []byte {
	b := binary.NativeEndian.AppendUint16(nil, uint16(4+len(value)))
	b = binary.NativeEndian.AppendUint16(b, kind)
	b = append(b, value...)
	for len(b)%4 != 0 {
		b = append(b, 0)
	}
	return b
}

func u32(v ...uint32) (b []byte) {
	for _, x := range v {
		b = binary.NativeEndian.AppendUint32(b, x)
	}
	return b
}

// linkMessage is what the kernel sends for an interface whose controller is passive; each counter has its own number,
// so that a wrong one shows.
func linkMessage() []byte {
	var stats [25]uint64
	for i := range stats {
		stats[i] = 1 << i
	}
	return linkWith(2, stats)
}

// linkWith is laid out after linux/if_link.h and linux/can/netlink.h; the counters are those of struct rtnl_link_stats64.
func linkWith(state uint32, counters [25]uint64) []byte {
	data := append(attr(1, u32(250000, 875, 0, 0, 0, 0, 0, 0)...), attr(4, u32(state)...)...)
	data = append(data, attr(5, u32(3, 2)...)...)
	data = append(data, attr(6, u32(100)...)...)
	info := append(attr(1, []byte("can\x00")...), attr(2, data...)...)
	var stats []byte
	for _, n := range counters {
		stats = binary.NativeEndian.AppendUint64(stats, n)
	}
	b := append(make([]byte, unix.SizeofIfInfomsg), attr(3, []byte("can0\x00")...)...)
	return append(append(b, attr(unix.IFLA_STATS64, stats...)...), attr(unix.IFLA_LINKINFO, info...)...)
}

func TestParseLink(t *testing.T) {
	got, ok := parseLink(linkMessage())
	const lost = 1<<6 | 1<<11 | 1<<15 // rx_dropped, rx_over_errors, rx_missed_errors
	if want := (canState{hasState: true, state: 2, bitRate: 250000, listen: true, timing: event.Timing{SamplePoint: 875, RestartMS: 100}, lost: lost}); !ok || got != want {
		t.Errorf("got %+v %v, want %+v", got, ok, want)
	}
}

// TestStatesByNetlink: what no emulated controller does, a kernel reports in the test: every state of the controller, and frames that the
// driver or the kernel had no room for. Each is an event once, and what was lost before is none of ours.
func TestStatesByNetlink(t *testing.T) {
	var state uint32
	var counters [25]uint64
	peer := nltest.Dial(func(asked []netlink.Message) ([]netlink.Message, error) {
		h := asked[0].Header
		h.Type = unix.RTM_NEWLINK
		return []netlink.Message{{Header: h, Data: linkWith(state, counters)}}, nil
	})
	defer peer.Close()
	r, _ := udpReceiver(t, 1<<20)
	l := &canLink{receiver: r, opts: Options{}.withDefaults(), state: &linkState{conn: peer}}
	asked := func() (handOut []string) {
		l.ask()
		for _, e := range l.queue {
			handOut = append(handOut, fmt.Sprintf("%s %d", e.Kind, e.Count))
		}
		l.queue = l.queue[:0]
		return handOut
	}
	const dropped, overrun, missed = 6, 11, 15
	counters[overrun] = 5
	for _, c := range []struct {
		state                    uint32
		dropped, overrun, missed uint64
		want                     []string
	}{
		{0, 0, 0, 0, []string{"controller 0", "bit-rate 250000"}},
		{0, 0, 0, 0, nil},
		{1, 0, 0, 0, []string{"controller 1"}},
		{2, 1, 0, 0, []string{"controller 2", "dropped 1"}},
		{3, 0, 3, 0, []string{"controller 3", "dropped 3"}},
		{4, 0, 0, 2, []string{"controller 4", "dropped 2"}},
		{0, 0, 0, 0, []string{"controller 0"}},
	} {
		state = c.state
		counters[dropped] += c.dropped
		counters[overrun] += c.overrun
		counters[missed] += c.missed
		if diff := cmp.Diff(c.want, asked()); diff != "" {
			t.Errorf("state %d: %s", c.state, diff)
		}
	}
}

func FuzzParseLink(f *testing.F) {
	f.Add(linkMessage())
	f.Fuzz(func(_ *testing.T, b []byte) { parseLink(b) })
}

func TestSocketCANMissing(t *testing.T) {
	_, err := Open("can97", Options{})
	if err == nil || !strings.Contains(err.Error(), "no such network interface") || !strings.Contains(err.Error(), "ip link") {
		t.Errorf("got %v", err)
	}
}

// pty makes a pseudo-terminal: the adapter's side and the path of ours.
func pty(t *testing.T) (*os.File, string) {
	t.Helper()
	m, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	fd := int(m.Fd())
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	unix.SetNonblock(fd, true)
	return m, fmt.Sprintf("/dev/pts/%d", n)
}

// adapter answers the commands of the other side and keeps them.
func adapter(m io.ReadWriter, answers map[string]string, commands chan<- string) {
	defer close(commands)
	var line []byte
	b := make([]byte, 1)
	for {
		if n, err := m.Read(b); err != nil || n == 0 {
			return
		}
		if b[0] != '\r' {
			line = append(line, b[0])
			continue
		}
		c := string(line)
		line = line[:0]
		if a, ok := answers[c]; ok {
			io.WriteString(m, a)
		} else {
			io.WriteString(m, "\r")
		}
		commands <- c
	}
}

func TestSLCAN(t *testing.T) {
	for _, tt := range []struct {
		name     string
		opts     Options
		answers  map[string]string
		commands []string
		listen   bool
		fails    string
	}{
		{"listens", Options{}, map[string]string{"C": "\a"}, []string{"C", "S5", "L"}, true, ""},
		{"transmits", Options{Transmit: true}, nil, []string{"C", "S5", "O"}, false, ""},
		{"cannot listen", Options{}, map[string]string{"L": "\a"}, []string{"C", "S5", "L"}, false, "no listen-only mode"},
		{"may acknowledge", Options{Acknowledge: true}, map[string]string{"L": "\a"}, []string{"C", "S5", "L", "O"}, false, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m, path := pty(t)
			commands := make(chan string, 16)
			go adapter(m, tt.answers, commands)
			defer func() {
				m.Close()
				for range commands {
				}
			}()
			s, err := Open("serial:"+path, tt.opts)
			for _, want := range tt.commands {
				if got := <-commands; got != want {
					t.Errorf("command %q, want %q", got, want)
				}
			}
			if tt.fails != "" {
				if err == nil || !strings.Contains(err.Error(), tt.fails) {
					t.Errorf("got %v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			io.WriteString(m, "T18EAFFFE300EE00\rt1230\r\rsw096000\r")
			expect(t, s, fmt.Sprintf("net0 network %s nmea2000 250000 listen=%v", path[len("/dev/pts/"):], tt.listen),
				"net0 frame 18EAFFFE ext=true rtr=false [3] 00 EE 00", "net0 frame 123 ext=false rtr=false [0] ", "net0 controller 1")
			err = s.(Sender).Send(can.Frame{ID: 0x18EAFF50, IsExtended: true, Length: 3, Data: can.Data{0, 0xEE, 0}})
			if (err == nil) != tt.opts.Transmit {
				t.Errorf("send: %v", err)
			}
			if tt.opts.Transmit {
				if got := <-commands; got != "T18EAFF50300EE00" {
					t.Errorf("sent %q", got)
				}
			}
			closeEnds(t, s)
		})
	}
}
