package main

import (
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// connections lists the messages that went by connection and were acknowledged: from, to and how many bytes.
func connections(events []event.Event) []string {
	var done []string
	for _, e := range events {
		id := pgn.ID(e.Frame.ID)
		if id.PGN() == 60416 && e.Frame.Data[0] == 19 { // end of message acknowledgement, ISO 11783-3
			done = append(done, fmt.Sprintf("%d to %d: %d bytes", id.Destination(), id.Source(), int(e.Frame.Data[1])|int(e.Frame.Data[2])<<8))
		}
	}
	return done
}

// peer: the kernel, given only muster's NAME, sends to muster's address; its connection is served to the end, and so is ours to it.
func peer(t *testing.T, dir string) {
	events := frames(t, filepath.Join(dir, "candump.log"))
	addresses := map[pgn.NAME]uint8{}
	for _, e := range events {
		if id := pgn.ID(e.Frame.ID); id.PGN() == 60928 && id.Source() != pgn.Null {
			if n, _ := pgn.DecodeNAME(e.Frame.Data[:]); n.Manufacturer() == 2040 {
				addresses[n] = id.Source()
			}
		}
	}
	if len(addresses) != 2 {
		t.Fatalf("%d presences of ours claimed addresses: %v", len(addresses), addresses)
	}
	var want []string
	for n, a := range addresses {
		if n.UniqueNumber() == 77 { // the one that talks
			want = append(want, fmt.Sprintf("%d to 81: 100 bytes", a))
		} else {
			want = append(want, fmt.Sprintf("80 to %d: 100 bytes", a))
		}
	}
	got := connections(events)
	slices.Sort(want)
	slices.Sort(got)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("%s\n%s%s", diff, content(t, filepath.Join(dir, "byname.txt")), content(t, filepath.Join(dir, "talk.log")))
	}
	pattern := strings.TrimSuffix(strings.Repeat("01 23 45 67 89 ab cd ef ", 13)[:100*3], " ")
	carried := 0
	for _, m := range messages(t, filepath.Join(dir, "candump.log")) {
		if m.PGN == 0x1EF00 && m.Data == pattern {
			carried++
		}
	}
	if carried != 2 {
		t.Errorf("%d messages of 100 bytes came over, want 2", carried)
	}
}

// gpsdHour: gpsd reads an hour of traffic without a complaint and prints a position in every second of it.
func gpsdHour(t *testing.T, dir string) {
	harmless := regexp.MustCompile(`shmctl|DBUS|IPv6 socket|PGN not found (00126993|00131071)|terminating signal|exiting|cycle-start detector failed`) // the guest's lack of services; the heartbeat, which gpsd
	// does not know, and the mark of gpsd_read; its end; pauses, from which it guesses where a second's messages begin
	for _, line := range strings.Split(content(t, filepath.Join(dir, "gpsd.log")), "\n") {
		if (strings.Contains(line, "ERROR") || strings.Contains(line, "WARN")) && !harmless.MatchString(line) {
			t.Errorf("gpsd complains: %s", line)
		}
	}
	fixes, seconds := 0, map[string]bool{}
	for _, line := range strings.Split(content(t, filepath.Join(dir, "gpsd.json")), "\n") {
		var r struct {
			Class string   `json:"class"`
			Time  string   `json:"time"`
			Lat   *float64 `json:"lat"`
		}
		if json.Unmarshal([]byte(line), &r) == nil && r.Class == "TPV" && r.Lat != nil && r.Time != "" {
			fixes++
			seconds[r.Time[:len("2006-01-02T15:04:05")]] = true
		}
	}
	t.Logf("%d fixes in %d seconds", fixes, len(seconds))
	if len(seconds) < 3599 { // it may not have the time in the first
		t.Errorf("gpsd printed positions in %d seconds, want 3600", len(seconds))
	}
}

// gpsdAIS: MMSI, position, course and speed of each target that gpsd prints are among those that we decode.
func gpsdAIS(t *testing.T, name string) {
	const knot = 1852.0 / 3600
	type target struct {
		mmsi                uint32
		lat, lon, cog, knot float64
	}
	var ours []target
	var values []pgn.Value
	a := transport.NewAssembler(transport.Options{})
	for _, e := range frames(t, name+".candump") {
		m := a.Feed(&e)
		if m == nil || (m.PGN() != 129038 && m.PGN() != 129039) {
			continue
		}
		var err error
		if values, err = pgn.Lookup(m.PGN()).Decode(m.Data, values); err != nil {
			t.Fatal(err)
		}
		var x target
		for _, v := range values {
			switch v.Field.Key {
			case "user_id", "mmsi":
				x.mmsi = uint32(v.Raw)
			case "latitude":
				x.lat = v.Number
			case "longitude":
				x.lon = v.Number
			case "cog":
				x.cog = v.Number * 180 / math.Pi
			case "sog":
				x.knot = v.Number / knot
			}
		}
		ours = append(ours, x)
	}
	seen := 0
	for _, line := range strings.Split(content(t, name+".json"), "\n") {
		var r struct {
			Class  string   `json:"class"`
			Type   int      `json:"type"`
			MMSI   uint32   `json:"mmsi"`
			Lat    *float64 `json:"lat"` // without "scaled" gpsd prints the units of AIS: 1/10000 minute
			Lon    *float64 `json:"lon"`
			Course *float64 `json:"course"` // 1/10 degree
			Speed  *float64 `json:"speed"`  // 1/10 knot
		}
		if json.Unmarshal([]byte(line), &r) != nil || r.Class != "AIS" || r.Lat == nil || r.Lon == nil {
			continue
		}
		seen++
		if !slices.ContainsFunc(ours, func(x target) bool {
			return x.mmsi == r.MMSI && math.Abs(x.lat-*r.Lat/600000) < 4e-6 && math.Abs(x.lon-*r.Lon/600000) < 4e-6 &&
				(r.Course == nil || math.Abs(x.cog-*r.Course/10) < .11) && (r.Speed == nil || math.Abs(x.knot-*r.Speed/10) < .11)
		}) {
			t.Errorf("gpsd says %s, which we do not", line)
		}
	}
	t.Logf("%d positions of targets compared", seen)
	if seen == 0 {
		t.Error("gpsd printed no target")
	}
}
