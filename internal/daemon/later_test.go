package daemon

import (
	"net"
	"strings"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/report"
	"muster/internal/tap"
)

// opened opens what is a fake, and everything else for real.
func opened(fake map[string]tap.Source, later bool) func(string, bool) (tap.Source, error) {
	return func(spec string, transmit bool) (tap.Source, error) {
		if s := fake[spec]; s != nil {
			return s, nil
		}
		return tap.Open(spec, tap.Options{Transmit: transmit, Later: later, Retry: time.Millisecond})
	}
}

// TestSourceComesLater: a gateway that is switched off when the daemon starts does not keep the backbone from being
// watched; it is reported as away, and is received once it is there.
func TestSourceComesLater(t *testing.T) {
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := free.Addr().String()
	free.Close()
	now := event.At(time.Now())
	fakes := map[string]tap.Source{"can0": newFake(nil, []event.Event{network(now, "can0", false), claim(now, nameA, 35)})}
	opt := options("off", nil, "can0", "0183+tcp:"+address)
	opt.Open, opt.Later = opened(fakes, false), opened(fakes, true)
	d, err := New(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(t.Context()) }()
	line := func() *report.Network {
		for _, n := range d.Report().Networks {
			if n.ID == address {
				return &n
			}
		}
		return nil
	}
	eventually(t, func() bool {
		n := line()
		return n != nil && n.State == "down" && len(d.Report().Devices) == 1
	})
	server, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	go func() {
		c, err := server.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		for {
			if _, err := c.Write(nmea0183.Append(nil, '$', "WIMWV,045.0,R,10.2,N,A")); err != nil {
				return
			}
			time.Sleep(time.Millisecond)
		}
	}()
	eventually(t, func() bool { n := line(); return n.State == "" && n.Frames > 0 })
	if err := d.Stop(); err != nil {
		t.Error(err)
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// TestNoSourceThere: when none of the sources is there, or one is written wrongly, the start fails with an error.
func TestNoSourceThere(t *testing.T) {
	for _, tt := range []struct {
		sources []string
		want    string
	}{
		{[]string{"serial:/dev/ttyNONE1"}, "connect the adapter"},
		{[]string{"serial:/dev/ttyNONE1", "0183:/dev/ttyNONE2?baud=4800"}, "/dev/ttyNONE1"},
		{[]string{"can0", "0183:/dev/ttyNONE2?baud=x"}, "baud"},
		{[]string{"can0", "0183+tcp:nowhere"}, "host:port"},
		{[]string{"can0", "no-such-file.log"}, "no-such-file.log"},
	} {
		fakes := map[string]tap.Source{"can0": newFake(nil)}
		opt := options("off", nil, tt.sources...)
		opt.Open, opt.Later = opened(fakes, false), opened(fakes, true)
		if d, err := New(t.Context(), opt); err == nil {
			d.Stop()
			t.Errorf("%v: started", tt.sources)
		} else if !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%v: %v", tt.sources, err)
		}
	}
}
