package tap

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/hosttest"
)

func listening(t *testing.T) (*listenLink, string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := newListenLink(l, Options{}.withDefaults())
	t.Cleanup(func() { s.close() })
	return s, l.Addr().String()
}

func dial(t *testing.T, address string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func write(t *testing.T, c net.Conn, text string) {
	t.Helper()
	if _, err := io.WriteString(c, text); err != nil {
		t.Fatal(err)
	}
}

// lines reads n lines.
func lines(t *testing.T, s *listenLink, n int) (all []string) {
	t.Helper()
	var events [4]event.Event
	for len(all) < n {
		k, err := s.read(events[:])
		if err != nil {
			t.Fatal(err)
		}
		for _, ev := range events[:k] {
			all = append(all, string(ev.Line))
		}
	}
	return all
}

func TestListenerKeepsClientsApart(t *testing.T) {
	s, address := listening(t)
	a, b := dial(t, address), dial(t, address)
	write(t, a, "$SDDPT,12.")
	write(t, b, "$HCHDG,115.9,")
	write(t, a, "4,0.5,\r\n")
	write(t, b, "1.0,W\r\n")
	got := lines(t, s, 2)
	slices.Sort(got)
	if want := []string{"$HCHDG,115.9,1.0,W", "$SDDPT,12.4,0.5,"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestListenerBoundsLines(t *testing.T) {
	s, address := listening(t)
	c := dial(t, address)
	write(t, c, strings.Repeat("x", 20*maxLine)+"\n$SDDPT,1.0,,\n$SDDPT,2.")
	c.Close()
	got := lines(t, s, 22)
	want := append(slices.Repeat([]string{strings.Repeat("x", maxLine)}, 20), "$SDDPT,1.0,,", "$SDDPT,2.")
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestListenerBoundsClients(t *testing.T) {
	s, address := listening(t)
	for i := range maxClients {
		write(t, dial(t, address), fmt.Sprintf("$SDDPT,%d.0,,\n", i))
	}
	lines(t, s, maxClients)
	if _, err := dial(t, address).Read(make([]byte, 1)); !errors.Is(err, io.EOF) && err == nil {
		t.Errorf("the client beyond the bound was let in: %v", err)
	}
}

func TestListenerCloses(t *testing.T) {
	s, address := listening(t)
	write(t, dial(t, address), "$SDDPT,1.0,,\n$SDDPT,2.0,,\n")
	done := make(chan error)
	go func() {
		var events [1]event.Event
		for {
			if _, err := s.read(events[:]); err != nil {
				done <- err
				return
			}
		}
	}()
	s.close()
	if err := <-done; !errors.Is(err, net.ErrClosed) {
		t.Errorf("%v, want that it is closed", err)
	}
}

func TestListenerWithSocat(t *testing.T) {
	socat, err := exec.LookPath("socat")
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatal("socat is not installed")
		}
		t.Skip("socat is not installed")
	}
	s, address := listening(t)
	cmd := exec.Command(socat, "-u", "STDIN", "TCP:"+address)
	cmd.Stdin = strings.NewReader("$SDDPT,12.4,0.5,50*4C\r\n$HCHDG,115.9,1.0,W,4.2,E*5B\r\n")
	if out, err := cmd.CombinedOutput(); err != nil && len(out) > 0 {
		t.Fatalf("socat: %v: %s", err, out)
	}
	if got := lines(t, s, 2); got[0] != "$SDDPT,12.4,0.5,50*4C" || got[1] != "$HCHDG,115.9,1.0,W,4.2,E*5B" {
		t.Errorf("%q", got)
	}
}

func TestOpenListener(t *testing.T) {
	port := hosttest.Port(t)
	l, err := net.Listen("tcp", fmt.Sprint(":", port))
	if err != nil {
		t.Fatal(err)
	}
	_, err = Open(fmt.Sprintf("0183+tcp::%d", port), Options{})
	if err == nil || !strings.Contains(err.Error(), "stop the other program") {
		t.Errorf("a port in use: %v", err)
	}
	l.Close()
	src, err := Open(fmt.Sprintf("0183+tcp::%d", port), Options{Retry: time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	var events [2]event.Event
	if n, err := src.Read(events[:]); err != nil || n != 1 || events[0].Info.ID != fmt.Sprintf("tcp:%d", port) {
		t.Errorf("%d events, %v: %+v", n, err, events[0])
	}
}
