package main

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/config"
	"muster/internal/tap"
)

// faultsIn are what is wrong, each with its first remedy.
func faultsIn(list []symptom) map[string]string {
	found := map[string]string{}
	for _, s := range list {
		if s.State == stateFault {
			found[s.What] = strings.Join(s.Remedy, "; ")
		}
	}
	return found
}

// TestDoctorOfInterfaces: each way in which an interface is set up wrongly has its remedy, and one that is right has none.
func TestDoctorOfInterfaces(t *testing.T) {
	good := tap.CANInterface{Name: "can0", Kind: "can", Driver: "mcp251x", Up: true, State: "error-active", BitRate: 250_000, Listen: true}
	with := func(change func(*tap.CANInterface)) tap.CANInterface {
		c := good
		change(&c)
		return c
	}
	const down, up = "sudo ip link set can0 down; ", "sudo ip link set can0 up type can bitrate 250000 listen-only on restart-ms 1000"
	asking := strings.Replace(up, "listen-only on", "listen-only off", 1)
	for _, c := range []struct {
		name string
		of   tap.CANInterface
		ask  bool
		want map[string]string
	}{
		{"right", good, false, map[string]string{}},
		{"not there", tap.CANInterface{Name: "can7"}, false,
			map[string]string{"interface": "Connect the adapter, then: muster adapters; sudo modprobe can-raw; muster help boat-computer"}},
		{"down", with(func(c *tap.CANInterface) { c.Up = false }), false, map[string]string{"interface": up}},
		{"virtual and down", tap.CANInterface{Name: "can0", Kind: "vcan"}, false,
			map[string]string{"interface": "sudo ip link set can0 up"}},
		{"500 kbit/s", with(func(c *tap.CANInterface) { c.BitRate = 500_000 }), false, map[string]string{"bit rate": down + up}},
		{"listen-only, and asking", good, true, map[string]string{"mode": down + asking}},
		{"sending, and asking", with(func(c *tap.CANInterface) { c.Listen = false }), true, map[string]string{}},
		{"sending, and not asking", with(func(c *tap.CANInterface) { c.Listen = false }), false, map[string]string{}},
		{"bus-off", with(func(c *tap.CANInterface) { c.State = "bus-off" }), false,
			map[string]string{"state": "Check the drop cable, both terminators and the bit rate of the network; " + down + up}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, faultsIn(canSymptoms("can0", []tap.CANInterface{c.of}, c.ask))); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// TestDoctorOfSystem: the clock, the store, the service and the hub, with the files of a computer in a folder.
func TestDoctorOfSystem(t *testing.T) {
	root := t.TempDir()
	for name, text := range map[string]string{"proc/sys/net/core/rmem_max": "212992\n", "var/lib/muster/x": "", "etc/hub.creds": ""} {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(root, name)), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(root, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	hub, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer hub.Close()
	away, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	away.Close()
	is := func(s symptom, state state, words string) {
		t.Helper()
		if s.State != state || !strings.Contains(s.Found+" "+strings.Join(s.Remedy, " "), words) {
			t.Errorf("%+v: want %s with %q", s, state, words)
		}
	}
	never := func() (yes, known bool) { return false, false }
	is(clockSymptom(time.Unix(1000, 0), never), stateFault, "timedatectl set-ntp true")
	is(clockSymptom(built.Add(time.Hour), never), stateOK, "2026")
	is(clockSymptom(built.Add(time.Hour), func() (yes, known bool) { return false, true }), stateInfo, "not synchronised")
	is(bufferSymptom(root), stateInfo, "rmem_max=8388608")
	is(storeSymptom(root, "/var/lib/muster"), stateOK, "/var/lib/muster")
	is(storeSymptom(root, "/var/lib/nothing"), stateInfo, "not there")
	is(storeSymptom(root, ""), stateInfo, "state_dir")
	is(serviceState("LoadState=loaded\nActiveState=active\nNRestarts=0\n"), stateOK, "active")
	is(serviceState("LoadState=loaded\nActiveState=active\nNRestarts=4\n"), stateInfo, "journalctl")
	is(serviceState("LoadState=loaded\nActiveState=failed\nNRestarts=4\n"), stateFault, "systemctl restart muster")
	is(serviceState("LoadState=not-found\nActiveState=inactive\nNRestarts=0\n"), stateInfo, "not installed")
	is(portSymptoms(filepath.Join(root, "tty"))[0], stateFault, "muster adapters")
	list := hubSymptoms(t.Context(), root, config.Fleet{Credentials: "/etc/hub.creds",
		URL: config.List{"nats://" + hub.Addr().String(), "nats://" + away.Addr().String()}})
	is(list[0], stateOK, "hub.creds")
	is(list[1], stateOK, "connected")
	is(list[2], stateFault, "refused")
}

// TestDoctorListens: a source that sends is received, and one that is silent or cannot be opened is a fault.
func TestDoctorListens(t *testing.T) {
	status, out, _ := ran(t, "doctor", "sim:demo", "--for", "2s", "--format", "json")
	var list []symptom
	if err := json.Unmarshal([]byte(out), &list); err != nil || status != exitDone {
		t.Fatalf("status %d, %v: %s", status, err, out)
	}
	if list[0].What != "traffic" || list[0].State != stateOK || strings.HasPrefix(list[0].Found, "0 frames") {
		t.Errorf("%+v", list[0])
	}
	quiet := "0183+tcp:" + lineServer(t, "")
	if status, out, _ := ran(t, "doctor", quiet, "--for", "300ms"); status != exitFindings || !strings.Contains(out, "network power") {
		t.Errorf("a silent source: status %d\n%s", status, out)
	}
	if status, out, _ := ran(t, "doctor", "serial:/dev/nothing"); status != exitFindings || !strings.Contains(out, "there is no port") {
		t.Errorf("a port that is not there: status %d\n%s", status, out)
	}
}

// TestFailedSourcesNameTheDoctor: a source that fails names the command that shows why.
func TestFailedSourcesNameTheDoctor(t *testing.T) {
	status, _, errs := ran(t, "audit", "serial:/dev/nothing", "--for", "1s")
	if status != exitSource || !strings.Contains(errs, "hint: muster doctor 'serial:/dev/nothing'") {
		t.Errorf("status %d: %s", status, errs)
	}
}

// TestAdapters: each thing that is connected has the SOURCE to write for it.
func TestAdapters(t *testing.T) {
	var text strings.Builder
	list := connected([]tap.CANInterface{{Name: "can0", Driver: "gs_usb", Device: "adapter", Up: true, BitRate: 250_000, Listen: true}},
		[]tap.SerialPort{{Name: "/dev/ttyACM0", Device: "CAN cable, USB 16d0:117e"}})
	if err := printAdapters(&text, list); err != nil {
		t.Fatal(err)
	}
	want := "can0  up, 250 kbit/s, listen-only, gs_usb, adapter\n  SOURCE can0\n" +
		"/dev/ttyACM0  CAN cable, USB 16d0:117e\n  SOURCE serial:/dev/ttyACM0  for a serial CAN adapter (SLCAN)\n" +
		"  SOURCE 0183:/dev/ttyACM0  for NMEA 0183\n"
	if diff := cmp.Diff(want, text.String()); diff != "" {
		t.Error(diff)
	}
	for _, c := range list {
		for _, s := range c.Sources {
			if _, known := tap.Backbone(s.Source); !known {
				t.Errorf("%s is no source", s.Source)
			}
		}
	}
	var printed []attached
	if err := json.Unmarshal([]byte(muster(t, "adapters", "--format", "json")), &printed); err != nil {
		t.Error(err)
	}
}

// doctored: at a real driver, each wrong setting is found, and doing what the doctor wrote sets it right.
func doctored(t *testing.T, dir string) {
	for name, what := range map[string]string{"down": "interface", "rate": "bit rate", "asking": "mode"} {
		var list []symptom
		if err := json.Unmarshal([]byte(content(t, filepath.Join(dir, name+".json"))), &list); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if found := faultsIn(list); found[what] == "" || strings.TrimSpace(content(t, filepath.Join(dir, name+".status"))) != "1" {
			t.Errorf("%s: %+v", name, list)
		}
		data := readInterface(t, filepath.Join(dir, name+".link")).LinkInfo.Data
		listening := slices.Contains(data.Modes, "LISTEN-ONLY")
		if data.Timing.BitRate != networkRate || listening != (name != "asking") || data.RestartMS != 1000 || data.State == "STOPPED" {
			t.Errorf("%s: after the repair %+v\n%s", name, data, content(t, filepath.Join(dir, name+".repaired")))
		}
	}
	var list []attached
	if err := json.Unmarshal([]byte(content(t, filepath.Join(dir, "adapters.json"))), &list); err != nil || len(list) < 4 {
		t.Fatalf("%v: %+v", err, list)
	}
	if c := list[0]; c.Name != "can0" || c.Driver != "kvaser_pci" || !strings.Contains(c.State, "250 kbit/s") {
		t.Errorf("%+v", c)
	}
}
