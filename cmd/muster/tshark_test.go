package main

import (
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"
	"pgregory.net/rapid"

	"muster/internal/capture"
	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// writeCapture writes frames a millisecond apart.
func writeCapture(t *testing.T, file string, format capture.Format, frames []can.Frame) {
	t.Helper()
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, err := capture.NewWriter(f, format)
	if err != nil {
		t.Fatal(err)
	}
	at := event.At(time.Date(2026, 5, 2, 8, 0, 0, 0, time.UTC))
	events := []event.Event{{Kind: event.KindNetwork, Time: at, Info: &event.Network{ID: "can0", Kind: event.NMEA2000}}}
	for i, fr := range frames {
		events = append(events, event.Event{Kind: event.KindFrame, Time: at.Add(time.Duration(i) * time.Millisecond), Frame: fr})
	}
	for i := range events {
		if err := w.Write(&events[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
}

func tshark(t *testing.T, file, dissector string, fields ...string) [][]string {
	t.Helper()
	args := []string{"-r", file, "-d", "can.subdissector," + dissector, "-T", "fields"}
	for _, f := range fields {
		args = append(args, "-e", f)
	}
	cmd := exec.Command("tshark", args...)
	var errs strings.Builder
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("tshark: %v: %s", err, errs.String())
	}
	var rows [][]string
	for _, line := range strings.Split(strings.TrimSuffix(string(out), "\n"), "\n") {
		rows = append(rows, strings.Split(line, "\t"))
	}
	return rows
}

// Identifiers against Wireshark's J1939 dissector, in both capture formats that it reads.
func TestIdentifiersAgainstTshark(t *testing.T) {
	need(t, "tshark")
	ids := []uint32{ // the worked examples of the message reference
		0x09F80102, 0x18EEFF11, 0x18EAFFFE, 0x1DEFFF01, 0x0DF01002, 0x19F212B0, 0x11F80E01, 0x0DED2301, 0x1CECFF23, 0x1CEB2340, 0x18E80523, 0x1DFF0A07}
	gen := rapid.Uint32Range(0, can.MaxExtendedID)
	for i := range 500 {
		ids = append(ids, gen.Example(i))
	}
	var frames []can.Frame
	var want [][]string
	for _, id := range ids {
		frames = append(frames, can.Frame{ID: id, IsExtended: true, Length: 8, Data: can.Data{255, 255, 255, 255, 255, 255, 255, 255}})
		x := pgn.ID(id)

		destination := "" // the dissector names one for addressed messages only
		if x.Addressed() {
			destination = fmt.Sprint(x.Destination())
		}
		want = append(want, []string{fmt.Sprint(x.Priority()), fmt.Sprint(x.PGN()), fmt.Sprint(x.Source()), destination})
	}
	for name, format := range map[string]capture.Format{"pcap": capture.FormatPcap, "pcapng": capture.FormatPcapng} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "ids."+name)
			writeCapture(t, file, format, frames)
			got := tshark(t, file, "j1939", "j1939.priority", "j1939.pgn", "j1939.src_addr", "j1939.dst_addr")
			if diff := cmp.Diff(want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// What our ISO transport sends by connection, Wireshark's ISObus dissector puts together again; of broadcasts it reads the announcement.
func TestTransportAgainstTshark(t *testing.T) {
	need(t, "tshark")
	for _, c := range []struct {
		name string
		dst  uint8
		size int
	}{
		{"broadcast of 9", pgn.Global, 9}, {"broadcast of 134", pgn.Global, 134}, {"broadcast of 1785", pgn.Global, 1785},
		{"connection of 9", 5, 9}, {"connection of 100", 5, 100}, {"connection of 1785", 5, 1785},
	} {
		t.Run(c.name, func(t *testing.T) {
			data := make([]byte, c.size)
			for i := range data {
				data[i] = byte(i * 7)
			}
			frames := converse(t, 130000, 35, c.dst, data)
			file := filepath.Join(t.TempDir(), "transport.pcap")
			writeCapture(t, file, capture.FormatPcap, frames)
			if c.dst == pgn.Global { // of a broadcast this edition reads the announcement but puts nothing together
				const announced = "isobus.transport_protocol.broadcast_announce_message."
				got := tshark(t, file, "isobus", announced+"total_message_size", announced+"total_number_of_packets", announced+"pgn")[0]
				if diff := cmp.Diff([]string{fmt.Sprint(c.size), fmt.Sprint((c.size + 6) / 7), "0x01fbd0"}, got); diff != "" {
					t.Error(diff)
				}
				return
			}
			var got []string
			for _, row := range tshark(t, file, "isobus", "isobus.reassembled.data") {
				if row[0] != "" {
					got = append(got, row[0])
				}
			}
			// The dissector puts the three bytes of the PGN in front.
			want := hex.EncodeToString([]byte{130000 & 0xFF, 130000 >> 8 & 0xFF, 130000 >> 16}) + hex.EncodeToString(data)
			if len(got) != 1 || got[0] != want {
				t.Errorf("got %d messages %.80s…\nwant %.80s…", len(got), strings.Join(got, " "), want)
			}
		})
	}
}

// converse lets one of our senders send, and for one destination one of our receivers answer, and returns what went over the wire.
func converse(t *testing.T, number uint32, src, dst uint8, data []byte) []can.Frame {
	t.Helper()
	sender, err := transport.NewSender(number, src, dst, data)
	if err != nil {
		t.Fatal(err)
	}
	var receiver *transport.Receiver
	var frames []can.Frame
	now := event.At(time.Date(2026, 5, 2, 8, 0, 0, 0, time.UTC))
	for steps := 0; !sender.Done(); steps++ {
		if steps > 10000 {
			t.Fatal("the transfer does not end")
		}
		now = now.Add(10 * time.Millisecond)
		for f, ok := sender.Next(now); ok; f, ok = sender.Next(now) {
			frames = append(frames, f)
			if dst == pgn.Global {
				continue
			}
			if receiver == nil {
				receiver, _ = transport.Accept(now, dst, &f)
			} else {
				receiver.Handle(now, &f)
			}
		}
		if receiver != nil {
			for f, ok := receiver.Next(now); ok; f, ok = receiver.Next(now) {
				frames = append(frames, f)
				sender.Handle(now, &f)
			}
		}
	}
	if err := sender.Err(); err != nil {
		t.Fatal(err)
	}
	return frames
}

// The count of frames that tshark reads in a simulated boat's capture is ours.
func TestSimulatedCaptureAgainstTshark(t *testing.T) {
	need(t, "tshark")
	file := filepath.Join(t.TempDir(), "fifty.pcapng")
	var out, errs strings.Builder
	a := app{stdin: strings.NewReader(""), stdout: &out, stderr: &errs}
	if status := a.run(t.Context(), []string{"simulate", "fifty", "--to", file, "--for", "5s"}); status != exitDone {
		t.Fatalf("status %d: %s", status, errs.String())
	}
	theirs := map[string]int{}
	for _, row := range tshark(t, file, "j1939", "j1939.pgn") {
		theirs[row[0]]++
	}
	ours := map[string]int{}
	for _, e := range frames(t, file) {
		ours[strconv.Itoa(int(pgn.ID(e.Frame.ID).PGN()))]++
	}
	if diff := cmp.Diff(theirs, ours); diff != "" {
		t.Error(diff)
	}
}
