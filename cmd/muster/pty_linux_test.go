package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"testing"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/tap"
)

// TestPTY: what a simulated boat sends comes out at a serial adapter, and what a program sends there is received.
func TestPTY(t *testing.T) {
	var out bytes.Buffer
	a := &app{ctx: context.Background(), stdout: &out, stderr: io.Discard}
	link := t.TempDir() + "/adapter"
	end, err := a.openPTY(link)
	if err != nil {
		t.Fatal(err)
	}
	defer end.Close()
	if want := "serial:" + link + " is the adapter\n"; out.String() != want {
		t.Errorf("told %q, want %q", out.String(), want)
	}
	heard := make(chan can.Frame, 1)
	go func() { // answers the host's commands, as a real adapter does
		events := make([]event.Event, 8)
		for {
			n, err := end.Read(events)
			if err != nil {
				close(heard)
				return
			}
			for _, e := range events[:n] {
				heard <- e.Frame
			}
		}
	}()
	host, err := tap.OpenSender("serial:"+link, tap.Options{Transmit: true})
	if err != nil {
		t.Fatal(err)
	}
	defer host.Close()
	want := can.Frame{ID: 0x18EEFF23, IsExtended: true, Length: 3, Data: can.Data{1, 2, 3}}
	if err := host.Send(want); err != nil {
		t.Fatal(err)
	}
	if got := <-heard; got != want {
		t.Errorf("the devices heard %v, want %v", got, want)
	}
	if err := end.Send(want); err != nil {
		t.Fatal(err)
	}
	events := make([]event.Event, 8)
	for found := false; !found; {
		n, err := host.Read(events)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range events[:n] {
			if e.Kind == event.KindFrame && !e.Sent {
				found = true
				if e.Frame != want {
					t.Errorf("the host heard %v, want %v", e.Frame, want)
				}
			}
		}
	}
	host.Close()
	if err := end.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(link); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the link is left behind: %v", err)
	}
	for range heard { // until the reader has ended
	}
}

func TestPTYLinkTaken(t *testing.T) {
	link := t.TempDir() + "/adapter"
	if err := os.WriteFile(link, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	a := &app{stdout: io.Discard}
	if end, err := a.openPTY(link); err == nil || !strings.Contains(err.Error(), "give another name") {
		if end != nil {
			end.Close()
		}
		t.Errorf("got %v", err)
	}
	if _, err := os.Stat(link); err != nil {
		t.Error("the file that was there is gone")
	}
}
