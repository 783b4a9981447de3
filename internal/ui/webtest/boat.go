package webtest

import (
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/nmea0183"
	"muster/internal/report"
	"muster/internal/transport"
	"muster/pgn"
)

// Sample is a boat with six devices and two talkers, of which some have trouble and some send text that must not
// reach a page as it is.
func Sample(t testing.TB) *report.Report {
	t.Helper()
	text, err := os.ReadFile(hosttest.Testdata(t, "boats/trouble.json"))
	if err != nil {
		t.Fatal(err)
	}
	var r report.Report
	if err := json.Unmarshal(text, &r); err != nil {
		t.Fatal(err)
	}
	r.Complete()
	return &r
}

// Reports gives whatever report it holds.
type Reports struct {
	mu      sync.Mutex
	report  *report.Report
	Missing error // why it is not ready, nil when it is
}

// NewReports gives r until another one is set.
func NewReports(r *report.Report) *Reports { return &Reports{report: FindUnits(r)} }

// FindUnits finds the units of a report that a test wrote or changed; one of a running model has its own.
func FindUnits(r *report.Report) *report.Report {
	if r != nil && !slices.ContainsFunc(r.Devices, func(d report.Device) bool { return d.Live != nil }) {
		r.Units = nil
		r.Complete()
	}
	return r
}

// Report returns what is held.
func (f *Reports) Report() *report.Report {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.report
}

// Ready returns what is missing.
func (f *Reports) Ready() error { return f.Missing }

// Set holds r from now on.
func (f *Reports) Set(r *report.Report) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.report = FindUnits(r)
}

// Noter keeps traffic.
type Noter interface {
	Note(*transport.Message, *boat.Sender)
	NoteSentence(*nmea0183.Sentence, boat.Line)
}

// Note notes a message with a number and data.
func Note(to Noter, n uint32, data []byte) {
	id := pgn.MakeID(2, n, 35, pgn.Global)
	to.Note(&transport.Message{Time: 1, ID: id, Data: data, Destination: pgn.Global}, &boat.Sender{ID: "C0788C00FA200001", Network: "can0", Address: 35})
}

// Hear feeds lines to a model of a boat that notes their sentences.
func Hear(to Noter, network string, lines ...string) {
	b := boat.New(boat.Options{OnSentence: to.NoteSentence})
	b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: network, Kind: event.NMEA0183, BitRate: 38400}})
	for i, line := range lines {
		b.Feed(event.Event{Kind: event.KindLine, Time: event.ClockSet.Add(time.Duration(i+1) * time.Second), Line: []byte(line)})
	}
}

// Sealed is a sentence with its right checksum.
func Sealed(body string) string { return fmt.Sprintf("%s*%02X", body, nmea0183.Sum([]byte(body[1:]))) }
