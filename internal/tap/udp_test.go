package tap

import (
	"net"
	"net/netip"
	"testing"

	"muster/internal/event"
	"muster/internal/hosttest"
)

// FuzzUDP: every datagram is its frames, or damaged; a frame that was read is one that can be sent.
func FuzzUDP(f *testing.F) {
	to := netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), uint16(hosttest.Port(f)))
	l, err := dialUDP(to, "", Options{}.withDefaults())
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { l.close() })
	c, err := net.Dial("udp4", to.String())
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { c.Close() })
	f.Add([]byte{0xFE, 0xFF, 0xEA, 0x98, 3, 0, 0, 0, 0, 0xEE, 0, 0, 0, 0, 0, 0})
	f.Add([]byte{4, 0, 0, 0x20, 8, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0})
	f.Add([]byte("too short"))
	f.Fuzz(func(t *testing.T, datagram []byte) {
		if len(datagram) > 4096 {
			return
		}
		if _, err := c.Write(datagram); err != nil {
			t.Fatal(err)
		}
		want := max(1, len(datagram)/frameSize)
		if len(datagram)%frameSize != 0 {
			want = 1
		}
		events := make([]event.Event, 3)
		for got := 0; got < want; {
			n, err := l.read(events)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range events[:n] {
				if e.Kind != event.KindFrame {
					continue
				}
				if err := e.Frame.Validate(); err != nil {
					t.Fatalf("% x: %v", datagram, err)
				}
			}
			got += n
		}
		if len(l.rest) > 0 {
			t.Fatalf("% x: more than %d events", datagram, want)
		}
	})
}
