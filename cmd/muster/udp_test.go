package main

import (
	"fmt"
	"testing"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/tap"
)

// TestUDPGroup: every listener of a group receives what is sent to it, as every device on a backbone does.
func TestUDPGroup(t *testing.T) {
	group := fmt.Sprintf("udp:239.74.163.2:%d", hosttest.Port(t))
	var listeners []tap.Source
	for range 2 {
		src, err := tap.Open(group, tap.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		listeners = append(listeners, src)
	}
	sender, err := tap.OpenSender(group, tap.Options{Transmit: true})
	if err != nil {
		t.Fatal(err)
	}
	defer sender.Close()
	want := can.Frame{ID: 0x18EEFF23, IsExtended: true, Length: 3, Data: can.Data{1, 2, 3}}
	if err := sender.Send(want); err != nil {
		t.Fatal(err)
	}
	for i, src := range listeners {
		events := make([]event.Event, 4)
		for found := false; !found; {
			n, err := src.Read(events)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range events[:n] {
				if e.Kind == event.KindFrame {
					found = true
					if e.Frame != want {
						t.Errorf("listener %d heard %v", i, e.Frame)
					}
				}
			}
		}
	}
}
