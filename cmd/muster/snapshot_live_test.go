package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/report"
	"muster/internal/snapshot"
)

// tell runs the program and returns its exit status and standard error.
func tell(t *testing.T, args ...string) (int, string) {
	t.Helper()
	var out, errs bytes.Buffer
	a := &app{stdin: strings.NewReader(""), stdout: &out, stderr: &errs}
	status := a.run(t.Context(), args)
	return status, errs.String()
}

func read(t *testing.T, name string) *snapshot.Snapshot {
	t.Helper()
	s, err := loadSnapshot(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// lineServer sends a line to whoever connects until the test ends; an empty one sends nothing.
func lineServer(t *testing.T, line string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				for line != "" {
					if _, err := fmt.Fprintf(c, "%s\r\n", line); err != nil {
						return
					}
					time.Sleep(10 * time.Millisecond)
				}
				_, _ = c.Read(make([]byte, 1)) // until the other side closes
			}()
		}
	}()
	return l.Addr().String()
}

// TestSnapshotLive: a live source is read until it is complete, and its kept capture gives the same report.
func TestSnapshotLive(t *testing.T) {
	dir := t.TempDir()
	name, kept := filepath.Join(dir, "a.json"), filepath.Join(dir, "a.log")
	source := "0183+tcp:" + lineServer(t, "$IIHDT,123.4,T*26")
	if status, errs := tell(t, "snapshot", source, "-o", name, "--keep-capture", kept, "--for", "300ms", "--limit", "20s"); status != exitDone {
		t.Fatalf("exit status %d: %s", status, errs)
	}
	s := read(t, name)
	if len(s.Report.Talkers) != 1 || !s.Complete || s.Report.Clock != boat.ClockSystem || s.Capture == nil || s.Capture.Name != "a.log" {
		t.Errorf("%d talkers, complete %v, clock %s, capture %v", len(s.Report.Talkers), s.Complete, s.Report.Clock, s.Capture)
	}
	if out := muster(t, "verify", name, "--signers-because", "nobody signs here"); !strings.Contains(out, "the same to the byte") {
		t.Error(out)
	}
}

// TestSnapshotAsksOnALine: a line that asks by itself does so too while its traffic is kept.
func TestSnapshotAsksOnALine(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "a.json")
	source := "0183+tcp:" + lineServer(t, "$IIHDT,123.4,T*26")
	if status, errs := tell(t, "snapshot", source, "--ask", "-o", name, "--keep-capture", filepath.Join(dir, "a.log"), "--for", "300ms"); status != exitDone {
		t.Fatalf("exit status %d: %s", status, errs)
	}
	if s := read(t, name); len(s.Report.Talkers) != 1 {
		t.Errorf("%d talkers", len(s.Report.Talkers))
	}
}

// TestSnapshotTimeToAsk: a line is received long enough to ask each talker once.
func TestSnapshotTimeToAsk(t *testing.T) {
	known := &boat.TalkerIdentity{Model: "Gannet GP1"}
	r := &report.Report{Talkers: []report.Talker{{Talker: "GP", Identity: known}, {Talker: "SD"}, {Talker: "WI"}, {Talker: "P"}, {Talker: "HC", Unanswered: "no answer, 3 requests"}}}
	for _, tt := range []struct {
		c    snapshotCmd
		want time.Duration
	}{{snapshotCmd{Ask: true}, 2 * nmea0183.AskPause}, {snapshotCmd{}, 0}, {snapshotCmd{Ask: true, For: time.Minute}, 0}} {
		if got := tt.c.asking(r); got != tt.want {
			t.Errorf("%+v: %v, want %v", tt.c, got, tt.want)
		}
	}
}

func TestSnapshotOfNothing(t *testing.T) {
	dir := t.TempDir()
	status, errs := tell(t, "snapshot", "0183+tcp:"+lineServer(t, ""), "-o", filepath.Join(dir, "a.json"), "--keep-capture", filepath.Join(dir, "a.log"), "--for", "1ms", "--limit", "300ms")
	if status != exitSource || !strings.Contains(errs, "error: nothing was received on 0183+tcp:") || !strings.Contains(errs, "hint: check ") {
		t.Errorf("exit status %d: %s", status, errs)
	}
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// TestSnapshotURL: a running daemon is asked until every device has reported who it is.
func TestSnapshotURL(t *testing.T) {
	from := event.Time(1_750_000_000_000_000_000)
	served := &report.Report{Schema: report.V2, Boat: boat.Identity{ID: "wagtail"}, TakenAt: from, Clock: boat.ClockSystem,
		Window: boat.Window{From: from, To: from.Add(2 * leastListening)}, Networks: []report.Network{}, Talkers: []report.Talker{},
		Manual: []boat.Manual{}, Alerts: []alert.Alert{},
		Devices: []report.Device{{ID: "C0788700FA401B5B", Network: "can0", State: boat.Present}}}
	served.Complete()
	var asked atomic.Int32
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.URL.Path != "/api/v1/report":
			http.NotFound(w, r)
		case r.Header.Get("Authorization") != "Bearer sesame":
			http.Error(w, "token", http.StatusUnauthorized)
		default:
			now := *served
			if asked.Add(1) > 1 {
				d := served.Devices[0]
				d.Product = &boat.Product{Model: "Gannet SD2 sounder", Software: "5.02"}
				now.Devices, now.Units = []report.Device{d}, nil
				now.Complete()
			}
			text, err := api.EncodeReport(&now)
			if err != nil {
				t.Error(err)
			}
			_, _ = w.Write(text)
		}
	}))
	defer server.Close()
	dir := t.TempDir()
	token, name := filepath.Join(dir, "token"), filepath.Join(dir, "a.json")
	if err := os.WriteFile(token, []byte("sesame\nsecond line\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	status, errs := tell(t, "snapshot", server.URL, "-o", name)
	if status != exitUsage || !strings.Contains(errs, "it needs its token") || !strings.Contains(errs, "--token-file") {
		t.Errorf("exit status %d: %s", status, errs)
	}
	if status, errs := tell(t, "snapshot", server.URL, "-o", name, "--token-file", token); status != exitDone {
		t.Fatalf("exit status %d: %s", status, errs)
	}
	if s := read(t, name); !s.Complete || s.Report.Devices[0].Version() != "5.02" || asked.Load() != 2 {
		t.Errorf("complete %v after %d reports", s.Complete, asked.Load())
	}

	// The time limit ends it with what is known.
	asked.Store(-1000)
	status, errs = tell(t, "snapshot", server.URL, "-o", name, "--token-file", token, "--for", "1ms", "--limit", "1ms", "--force")
	if status != exitDone || !strings.Contains(errs, "not complete: 1 device without model and software") || read(t, name).Complete {
		t.Errorf("exit status %d: %s", status, errs)
	}

	for what, answer := range map[string]string{"no JSON": "<html>", "another JSON": `{"schema":"x"}`} {
		other := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(answer)) }))
		status, errs := tell(t, "snapshot", other.URL, "-o", filepath.Join(dir, "x.json"))
		if status != exitUsage || !strings.Contains(errs, "the answer is not a muster.report/v2") {
			t.Errorf("%s: exit status %d: %s", what, status, errs)
		}
		other.Close()
	}
	missing := httptest.NewServer(http.NotFoundHandler())
	defer missing.Close()
	if status, errs := tell(t, "snapshot", missing.URL, "-o", filepath.Join(dir, "x.json")); status != exitSource || !strings.Contains(errs, "it answers 404") {
		t.Errorf("exit status %d: %s", status, errs)
	}
}

// TestUnansweredIsKept: which device did not answer is in no capture, and the report made again has it all the same.
func TestUnansweredIsKept(t *testing.T) {
	dir := t.TempDir()
	scenario, name, kept := filepath.Join(dir, "mute.yaml"), filepath.Join(dir, "a.json"), filepath.Join(dir, "a.log")
	text := `devices:
  - {id: sounder, manufacturer: 2002, class: 60, function: 130, address: 35, model: Gannet SD2 sounder, sends: [{pgn: 128267}], ignores: [126996]}
`
	if err := os.WriteFile(scenario, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	muster(t, "snapshot", "sim:"+scenario, "--ask", "--for", "5m", "-o", name, "--keep-capture", kept)
	s := read(t, name)
	var own, unanswered int
	for _, d := range s.Report.Devices {
		if d.Own {
			own++
		}
		if d.Unanswered != "" {
			unanswered++
		}
	}
	if own != 1 || unanswered != 1 || !s.Complete {
		text, _ := json.MarshalIndent(s.Report.Devices, "", " ")
		t.Errorf("%d own, %d unanswered, complete %v: %s", own, unanswered, s.Complete, text)
	}
	if out := muster(t, "verify", name, "--signers-because", "nobody signs here"); !strings.Contains(out, "the same to the byte") {
		t.Error(out)
	}
}
