package main

import (
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/transport"
	"muster/pgn"
)

// crowd is a boat of many devices, eight of them displays, that each sent so many messages three times.
func crowd(b *testing.B, devices, messages int) *boat.Boat {
	b.Helper()
	at := event.At(time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC))
	whole := boat.New(boat.Options{ID: "kittiwake"})
	whole.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "can0", Kind: event.NMEA2000, BitRate: 250_000}})
	send := func(number uint32, source int, data []byte) {
		frames, err := transport.Split(nil, pgn.MakeID(6, number, uint8(source), pgn.Global), 0, data)
		if err != nil {
			b.Fatal(err)
		}
		for _, f := range frames {
			at = at.Add(50 * time.Microsecond)
			whole.Feed(event.Event{Kind: event.KindFrame, Time: at, Frame: f})
		}
	}
	for i := range devices {
		name := pgn.NameFields{UniqueNumber: uint32(i + 1), Manufacturer: 2001, DeviceClass: 60, DeviceFunction: 170, IndustryGroup: 4, ArbitraryAddress: true}
		product := pgn.ProductInformation{Model: "Larkfin Olbo 20 sonar", SoftwareVersion: "2.9", Serial: fmt.Sprintf("S%04d", i)}
		if i < 8 {
			name.DeviceClass, name.DeviceFunction = 120, 130
			product.Model, product.SoftwareVersion = "Larkfin LF9 display", "4.40"
		}
		send(60928, i, name.NAME().Append(nil))
		send(pgn.PGNProduct, i, product.Append(nil))
	}
	var numbers []uint32
	for _, m := range pgn.All() {
		if m.Transport == pgn.Single && m.PGN > 127000 && m.PGN < 130816 {
			numbers = append(numbers, m.PGN)
		}
	}
	for n := uint32(65280); len(numbers) < messages; n++ {
		numbers = append(numbers, n)
	}
	for range 3 {
		for i := range devices {
			for _, n := range numbers[:messages] {
				send(n, i, []byte{byte(i), 0x39, 0x05, 0, 0, 0x10, 0, 0xFF})
			}
		}
	}
	return whole
}

// BenchmarkGrowth makes report, checks, comparison and plan of boats of growing size, up to the most that a backbone can address.
// A figure for each device shows whether the work grows faster than the boat.
func BenchmarkGrowth(b *testing.B) {
	sheets, err := release.LoadFS(b.Context(), os.DirFS("../../deploy/sheets"), "deploy/sheets")
	if err != nil {
		b.Fatal(err)
	}
	const messages = 60
	for _, devices := range []int{63, 126, 252} {
		whole := crowd(b, devices, messages)
		state := whole.State()
		r := report.New(state, nil)
		if len(r.Devices) != devices || len(r.Devices[0].Transmits) < messages {
			b.Fatalf("%d devices, %d messages of the first", len(r.Devices), len(r.Devices[0].Transmits))
		}
		settings := check.DefaultSettings()
		found := slices.Concat(check.All(), release.Rules(sheets))
		for _, f := range check.Judge(found, state, state.TakenAt, &settings).Findings {
			r.Alerts = append(r.Alerts, alert.Alert{Check: f.Check, Severity: f.Severity, State: alert.StatusOpen, Since: r.TakenAt,
				Network: f.Network, Devices: f.Devices, Summary: f.Summary})
		}
		before, after := snapshot.New(r), snapshot.New(later(r))
		for _, s := range []*snapshot.Snapshot{before, after} {
			if err := s.Close(nil); err != nil {
				b.Fatal(err)
			}
		}
		rules := slices.Concat(found, snapshot.Rules(before))
		for _, job := range []struct {
			name string
			do   func() int // gives how much came out
		}{
			{"report", func() int { return len(report.New(whole.State(), nil).Devices) }},
			{"checks", func() int { return len(check.Judge(rules, state, state.TakenAt, &settings).Findings) }},
			{"comparison", func() int {
				c, err := snapshot.Compare(before, after, snapshot.Options{Proved: true})
				if err != nil {
					b.Fatal(err)
				}
				return len(c.Changes)
			}},
			{"plan", func() int {
				o, _ := release.Plan(r, "", "", sheets, release.Options{})
				return len(o.Steps())
			}},
		} {
			b.Run(fmt.Sprintf("%s/%d-devices", job.name, devices), func(b *testing.B) {
				b.ReportAllocs()
				out := 0
				for b.Loop() {
					out = job.do()
				}
				b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/float64(devices), "µs/device")
				b.ReportMetric(float64(out), "results")
			})
		}
	}
}

// later is the boat after the work: every tenth device runs another version, and every tenth lost its instances.
func later(r *report.Report) *report.Report {
	out := *r
	out.Devices = slices.Clone(r.Devices)
	for i := range out.Devices {
		d := &out.Devices[i]
		switch i % 10 {
		case 0:
			product := *d.Product
			product.Software += ".1"
			d.Product = &product
		case 1:
			d.Transmits = d.Transmits[1:]
		}
	}
	return &out
}
