package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/hosttest"
)

// serveLines runs muster simulate until the test ends and gives the address at which its lines are offered.
func serveLines(t *testing.T, args ...string) (address string) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	out, in := io.Pipe()
	a := &app{stdin: strings.NewReader(""), stdout: io.Discard, stderr: in}
	done := make(chan int, 1)
	go func() {
		done <- a.run(ctx, append([]string{"simulate"}, args...))
		in.Close()
	}()
	t.Cleanup(func() {
		cancel()
		if status := <-done; status != exitDone {
			t.Errorf("exit status %d", status)
		}
	})
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if address, ok := strings.CutPrefix(lines.Text(), "lines on "); ok {
			go func() { _, _ = io.Copy(io.Discard, out) }()
			return address
		}
	}
	t.Fatal("no address was told")
	return ""
}

// TestSimulatedLines: what the simulator offers over TCP and UDP is what the audit reads.
func TestSimulatedLines(t *testing.T) {
	address := serveLines(t, "demo", "--to", "0183+tcp:127.0.0.1:0", "--speed", "10")
	out := muster(t, "audit", "0183+tcp:"+address, "--for", "2s")
	for _, want := range []string{address + " · NMEA 0183", address + " GP", address + " AI", "RMC ×", "VDM ×"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in %s", want, out)
		}
	}
	if strings.Contains(out, "checksum") || strings.Contains(out, "garbled") {
		t.Error(out)
	}
	port := hosttest.Port(t)
	serveLines(t, "demo", "--to", fmt.Sprintf("0183+udp:127.0.0.1:%d", port), "--speed", "10")
	if out := muster(t, "audit", fmt.Sprintf("0183+udp:127.0.0.1:%d", port), "--for", "2s"); !strings.Contains(out, "RMC ×") {
		t.Error(out)
	}
}

// TestSimulatedLinesForGPSD: gpsd finds the simulated boat and the vessels around it at that address.
func TestSimulatedLinesForGPSD(t *testing.T) {
	program := needs(t, "gpsd")
	address := serveLines(t, "demo", "--to", "0183+tcp:127.0.0.1:0", "--speed", "10")
	listen := hosttest.Address(t)
	_, port, _ := net.SplitHostPort(listen)
	cmd := exec.Command(program, "-N", "-n", "-S", port, "tcp://"+address)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}()
	var client net.Conn
	var err error
	for range 3600 {
		if client, err = net.Dial("tcp", listen); err == nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	fmt.Fprintln(client, `?WATCH={"enable":true,"json":true}`)
	_ = client.SetReadDeadline(time.Now().Add(5 * time.Minute)) // so that a gpsd that sends nothing ends the test
	fixed, vessels := false, map[uint32]bool{}
	for sc := bufio.NewScanner(client); !(fixed && len(vessels) == 5) && sc.Scan(); {
		var m struct {
			Class    string
			Mode     int
			Lat, Lon float64
			MMSI     uint32
		}
		if json.Unmarshal(sc.Bytes(), &m) != nil {
			continue // other classes use other types
		}
		switch {
		case m.Class == "TPV" && m.Mode >= 2:
			fixed = true
			if m.Lat < 50.15 || m.Lat > 50.16 || m.Lon < -5.07 || m.Lon > -5.06 { // where the scenario moors it
				t.Fatalf("the boat lies at %v %v", m.Lat, m.Lon)
			}
		case m.Class == "AIS":
			vessels[m.MMSI] = true
		}
	}
	for mmsi := uint32(200000000); mmsi < 200000005; mmsi++ {
		if !vessels[mmsi] || !fixed {
			t.Errorf("fix %v, vessels %v", fixed, vessels)
			break
		}
	}
}

func TestSimulatedLinesRefused(t *testing.T) {
	for _, tt := range []struct{ scenario, to, want string }{
		{"demo", "0183+tcp:nowhere", "the address is not host:port"},
		{"fifty", "0183+tcp:127.0.0.1:0", "the scenario has no NMEA 0183 line"},
		{"demo", "0183+tcp:203.0.113.1:10110", "cannot assign"},
	} {
		var errs bytes.Buffer
		a := &app{stdin: strings.NewReader(""), stdout: io.Discard, stderr: &errs}
		if status := a.run(t.Context(), []string{"simulate", tt.scenario, "--to", tt.to}); status == exitDone || !strings.Contains(errs.String(), tt.want) {
			t.Errorf("%s to %s: exit status %d: %s", tt.scenario, tt.to, status, &errs)
		}
	}
	if _, _, ok := isLine(filepath.Join("0183+tcp", "quay.log")); ok {
		t.Error("a file is taken for a line")
	}
}
