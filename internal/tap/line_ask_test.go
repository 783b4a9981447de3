package tap

import (
	"bufio"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

func TestLineAsksForVersion(t *testing.T) {
	server, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	asked := make(chan string, 1)
	go func() {
		c, err := server.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		go func() {
			line, _ := bufio.NewReader(c).ReadString('\n')
			asked <- strings.TrimSpace(line)
			_, _ = c.Write(nmea0183.Append(nil, '$', "GPVER,1,1,GP,GAN,1,42,Gannet GP1,3.14,B,0"))
		}()
		for {
			if _, err := c.Write(nmea0183.Append(nil, '$', "GPRMC,,V,,,,,,,,,,N")); err != nil {
				return
			}
			time.Sleep(time.Millisecond)
		}
	}()
	now := time.Unix(1_780_000_000, 0)
	src, err := Open("0183+tcp:"+server.Addr().String(), Options{Transmit: true, Now: func() time.Time {
		now = now.Add(time.Second)
		return now
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	if a, ok := src.(Asker); !ok || !a.Asks() {
		t.Fatalf("%T does not ask", src)
	}
	var events [8]event.Event
	handOut := ""
	for answered := false; !answered; {
		n, err := src.Read(events[:])
		if err != nil {
			t.Fatal(err)
		}
		for _, ev := range events[:n] {
			if ev.Kind == event.KindDown {
				t.Fatalf("%s", ev.Line)
			}
			if ev.Sent {
				handOut += string(ev.Line)
			}
			answered = answered || strings.HasPrefix(string(ev.Line), "$GPVER,")
		}
	}
	if got := <-asked; !strings.HasPrefix(got, "$IIGPQ,VER*") || got != handOut {
		t.Errorf("asked %q, told %q", got, handOut)
	}
}

func TestLineKeepsQuietWithoutTransmit(t *testing.T) {
	l := newLineLink(nil, Options{}.withDefaults())
	if l.questions != nil || (lineSource{&live{}}).Asks() {
		t.Error("a line that is only listened to asks")
	}
}

// TestListenerAsks: who connects to us is asked on his own connection.
func TestListenerAsks(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var seconds atomic.Int64
	s := newListenLink(l, Options{Transmit: true, Now: func() time.Time {
		return time.Unix(1_780_000_000+seconds.Add(1), 0)
	}}.withDefaults())
	defer s.close()
	c, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	go func() {
		for {
			if _, err := c.Write(nmea0183.Append(nil, '$', "GPRMC,,V,,,,,,,,,,N")); err != nil {
				return
			}
			time.Sleep(time.Millisecond)
		}
	}()
	handOut := ""
	var events [8]event.Event
	for handOut == "" {
		n, err := s.read(events[:])
		if err != nil {
			t.Fatal(err)
		}
		for _, ev := range events[:n] {
			if ev.Sent {
				handOut = string(ev.Line)
			}
		}
	}
	asked, err := bufio.NewReader(c).ReadString('\n')
	if err != nil || strings.TrimSpace(asked) != handOut || !strings.HasPrefix(handOut, "$IIGPQ,VER*") {
		t.Errorf("asked %q, told %q: %v", asked, handOut, err)
	}
}
