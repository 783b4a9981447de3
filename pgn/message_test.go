package pgn

import (
	"bytes"
	"fmt"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestGolden holds one sample of every layout against its bytes and its values.
func TestGolden(t *testing.T) {
	var got bytes.Buffer
	var values []Value
	for _, d := range layouts() {
		for _, code := range codes(d) {
			p := sample(t, d, code)
			fmt.Fprintf(&got, "%d %s (%s)\n\t% X\n", d.PGN, d.Title, d.Transport, p)
			if n, ok := d.Instance(p); ok {
				fmt.Fprintf(&got, "\tinstance %d", n)
				if s, ok := d.Selector(p); ok {
					fmt.Fprintf(&got, ", selector %d", s)
				}
				got.WriteByte('\n')
			}
			var err error
			if values, err = d.Decode(p, values); err != nil {
				t.Errorf("%d: %v", d.PGN, err)
			}
			for _, v := range values {
				if v.Field.Role == RoleReserved {
					continue
				}
				fmt.Fprintf(&got, "\t%-30s %s\n", label(v), v)
			}
			if q, err := d.Encode(nil, values); err != nil || !bytes.Equal(p, q) {
				t.Errorf("%d: % X comes back as % X, %v", d.PGN, p, q, err)
			}
			if !d.Available(p) {
				t.Errorf("%d: % X has no data", d.PGN, p)
			}
		}
	}
	const name = "testdata/messages.golden"
	if *update {
		if err := os.WriteFile(name, got.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got.String()); diff != "" {
		t.Errorf("%s differs (-want +got), accept with -update:\n%s", name, diff)
	}
}

func label(v Value) string {
	s := v.Field.Key
	if v.Field.Group != 0 {
		s = fmt.Sprintf("%s[%d]", s, v.Repeat)
	}
	if v.Of != nil {
		s += " (" + v.Of.Key + ")"
	}
	return s
}

// TestCaptured decodes what came off a wire: CAN capture shipped with gpsd 3.22 tests.
func TestCaptured(t *testing.T) {
	tests := []struct {
		pgn   uint32
		bytes string
		want  map[string]string
	}{
		{127506, "F3 00 00 64 FF 9C1C 0A00", map[string]string{
			"sid": "243", "instance": "0", "dc_type": "Battery", "state_of_charge": "100 %", "state_of_health": "not available",
			"time_remaining": "7324 min", "ripple_voltage": "0.010 V", "remaining_capacity": "missing"}}, // edition of 9 bytes
		{127508, "00 EC04 C5FF 6978 F3", map[string]string{
			"instance": "0", "voltage": "12.60 V", "current": "-5.9 A", "case_temperature": "308.25 K", "sid": "243"}},
		// A sounder that means "not available" by FFFF in its signed offset (capture; the depth is made up).
		{128267, "01 D2040000 FFFF FF", map[string]string{
			"depth_below_transducer": "12.34 m", "offset": "not available", "maximum_range": "not available"}},
		// No reference stations, yet four bytes of filling follow.
		{129029, "FF FFFF FFFFFFFF FFFFFFFFFFFFFF7F FFFFFFFFFFFFFF7F FFFFFFFFFFFFFF7F 13 FC 05 FF7F FF7F FFFFFF7F 00 FFFFFFFF",
			map[string]string{"gnss_type": "GPS+SBAS", "method": "GNSS fix", "satellites_used": "5", "latitude": "not available",
				"number_of_reference_stations": "0", "reference_station_id": ""}},
	}
	for _, tt := range tests {
		d := Lookup(tt.pgn)
		t.Run(d.Title, func(t *testing.T) {
			values, err := d.Decode(unhex(t, tt.bytes), nil)
			if err != nil {
				t.Fatal(err)
			}
			for key, want := range tt.want {
				got := ""
				if v := Find(values, key, 0); v != nil {
					got = v.String()
				}
				if got != want {
					t.Errorf("%s: %q, want %q", key, got, want)
				}
			}
		})
	}
}

func TestProprietaryHeader(t *testing.T) {
	// First two bytes of manufacturers' messages (CAN capture shipped with gpsd 3.22 tests): Airmar 135, Maretron 137, Garmin 229.
	for head, manufacturer := range map[string]int64{"87 98": 135, "89 98": 137, "E5 98": 229} {
		values, err := Lookup(126720).Decode(unhex(t, head+"01 02"), nil)
		if err != nil || Find(values, "manufacturer_code", 0).Raw != manufacturer || Find(values, "industry_code", 0).Name() != "Marine" {
			t.Errorf("%s: %v, %v", head, values, err)
		}
	}
}

func TestValueForPeople(t *testing.T) {
	for _, tt := range []struct {
		pgn              uint32
		key, bytes, want string
	}{
		{129038, "time_stamp", "FFFFFFFFFF FFFFFFFF FFFFFFFF F4", "Manual input mode"}, // 61
		{129038, "time_stamp", "FFFFFFFFFF FFFFFFFF FFFFFFFF 44", "17 s"},
		{127489, "discrete_status_1", "00 FFFF FFFF FFFF FFFF FFFF FFFFFFFF FFFF FFFF FF 0580", "Check engine, Low oil pressure, Engine emergency stop mode"},
		{127489, "discrete_status_1", "00 FFFF FFFF FFFF FFFF FFFF FFFFFFFF FFFF FFFF FF FFFF", "not available"},
		{126992, "time_of_day", "FF FF FFFF 00D06533", "23:57:11.0400"},
		{130306, "reference", "FF FFFF FFFF FD", "5"}, // a code without a name
		{127488, "engine_speed", "00 0119", "1600.25 rpm"},
		{130314, "pressure", "FF 00 00 8A750F00", "101313.0 Pa"},
	} {
		values, err := Lookup(tt.pgn).Decode(unhex(t, tt.bytes), nil)
		if v := Find(values, tt.key, 0); err != nil || v == nil || v.String() != tt.want {
			t.Errorf("%d %s: %v, %v, want %s", tt.pgn, tt.key, v, err, tt.want)
		}
	}
}

// TestStates walks through the special codes of each width (open device stack, trade manual; sub-byte widths open device stack).
func TestStates(t *testing.T) {
	const na, oor, res, ok, gone = NotAvailable, OutOfRange, ReservedValue, Available, Missing
	tests := []struct {
		pgn   uint32
		key   string
		bytes string
		want  State
	}{
		{127488, "engine_instance", "FF", na},
		{127488, "engine_instance", "FE", oor},
		{127488, "engine_instance", "FD", res},
		{127488, "engine_instance", "FC", ok},
		{127488, "tilt", "FF FFFF FFFF 7F", na},
		{127488, "tilt", "FF FFFF FFFF 7E", oor},
		{127488, "tilt", "FF FFFF FFFF 7D", res},
		{127488, "tilt", "FF FFFF FFFF 80", ok},
		{127488, "engine_speed", "FF FFFF", na},
		{127488, "engine_speed", "FF FEFF", oor},
		{127488, "engine_speed", "FF FDFF", res},
		{127488, "engine_speed", "FF 0000", ok},
		{127488, "engine_speed", "FF 00", gone},
		{127250, "deviation", "FF FFFF FF7F", na},
		{127250, "deviation", "FF FFFF FFFF", ok},
		{130316, "temperature", "FFFFFF FFFFFF", na},
		{130316, "temperature", "FFFFFF FEFFFF", oor},
		{127751, "current", "FFFFFFFF FFFF7F", na},
		{127751, "current", "FFFFFFFF FDFF7F", res},
		{129025, "latitude", "FFFFFF7F", na},
		{129025, "latitude", "FEFFFF7F", oor},
		{129029, "latitude", "FFFFFFFFFFFFFF FFFFFFFFFFFFFF7F", na},
		{129029, "latitude", "FFFFFFFFFFFFFF FDFFFFFFFFFFFF7F", res},
		{127250, "reference", "FFFFFFFFFFFFFF FF", na},
		{127250, "reference", "FFFFFFFFFFFFFF FE", oor},
		{127250, "reference", "FFFFFFFFFFFFFF FD", ok},
		{130306, "reference", "FFFFFFFFFF 07", na},
		{130306, "reference", "FFFFFFFFFF 06", oor},
		{130306, "reference", "FFFFFFFFFF 02", ok},
		{127505, "fluid_type", "FF", na},
		{127505, "fluid_type", "EF", oor},
		{127505, "fluid_type", "DF", ok},
		{129038, "time_stamp", "FFFFFFFFFF FFFFFFFF FFFFFFFF F0", na}, // 60
		{129794, "imo_number", "05 00000000 00000000", na},            // 0
		{60928, "device_class", "FFFFFFFFFFFFFFFF", ok},               // the NAME has no special codes
	}
	for _, tt := range tests {
		values, err := Lookup(tt.pgn).Decode(unhex(t, tt.bytes), nil)
		v := Find(values, tt.key, 0)
		if err != nil || v == nil || v.State != tt.want {
			t.Errorf("%d %s in %s: %v, %v, want %s", tt.pgn, tt.key, tt.bytes, v, err, tt.want)
		} else if v.State != Available && v.Number == v.Number {
			t.Errorf("%d %s in %s: %s, and yet the number %g", tt.pgn, tt.key, tt.bytes, v.State, v.Number)
		}
	}
}

func TestAvailable(t *testing.T) {
	tests := []struct {
		name  string
		pgn   uint32
		bytes string
		want  bool
	}{
		{"wind", 130306, "01 C800 FFFF 02 FFFF", true},
		{"wind without values", 130306, "01 FFFF FFFF 02 FFFF", false},
		{"error is no value", 130306, "01 FEFF FDFF 02 FFFF", false},
		{"angle only", 130306, "01 FFFF 0000 02 FFFF", true},
		{"temperature", 130312, "01 00 00 FFFF FFFF FF", false},
		{"set temperature only", 130312, "01 00 00 FFFF 0070 FF", true},
		{"battery", 127508, "00 FF7F FF7F FFFF 01", false},
		{"sounder with damaged offset", 128267, "01 FFFFFFFF FFFF FF", false},
		{"no satellites", 129540, "01 FF 00", false},
		{"satellite without values", 129540, "01 FF 01 05 FF7F FFFF FF7F FFFFFF7F FF", true}, // the number of a satellite is one
		{"strings", 126998, "02 01 02 01 02 01", false},
		{"one string", 126998, "02 01 03 01 41", true},
		{"switches", 127501, "00 FF FF FF FF FF FF FF", false},
		{"one switch", 127501, "00 FF FF FF FF FF FF 7F", true},
		{"one switch in error", 127501, "00 FF FF FF FF FF FF BF", false},
		{"proprietary", 65280, "87 98 FF FF", false},
		{"proprietary with content", 65280, "87 98 FF 00", true},
		{"layout not known", 127490, "00 FF FF", false},
		{"layout not known, with content", 127490, "00 FF 12", true},
		{"empty", 130306, "", false},
	}
	for _, tt := range tests {
		if got := Lookup(tt.pgn).Available(unhex(t, tt.bytes)); got != tt.want {
			t.Errorf("%s: %t", tt.name, got)
		}
	}
}

func TestInstance(t *testing.T) {
	tests := []struct {
		pgn      uint32
		bytes    string
		want     int // -1 for none
		selector int
	}{
		{127488, "03 FFFF", 3, -1},
		{127505, "12 FFFF", 2, 1},
		{127505, "FF FFFF", -1, -1},
		{127506, "FF 07", 7, -1},
		{127506, "FF", -1, -1},
		{130312, "FF 05 0E FFFF", 5, 14},
		{130312, "FF FF 0E FFFF", -1, 14},
		{129025, "00 00 00 00", -1, -1},
		{127490, "04", 4, -1}, // layout not known
	}
	for _, tt := range tests {
		d, p := Lookup(tt.pgn), unhex(t, tt.bytes)
		n, ok := d.Instance(p)
		s, has := d.Selector(p)
		if ok != (tt.want >= 0) || ok && int(n) != tt.want || has != (tt.selector >= 0) || has && int(s) != tt.selector {
			t.Errorf("%d %s: instance %d %t, selector %d %t", tt.pgn, tt.bytes, n, ok, s, has)
		}
	}
}

func TestStrings(t *testing.T) {
	tests := []struct{ name, bytes, first, fail string }{
		{"ascii", "05 01 41 62 63", "Abc", ""},
		{"empty", "02 01", "", ""},
		{"empty with NUL", "03 01 00", "", ""},
		{"utf-16", "08 00 41 00 E4 00 AC 20", "Aä€", ""},
		{"utf-16, pair", "06 00 3D D8 00 DE", "😀", ""},
		{"utf-16, half a pair", "04 00 3D D8", `\uD83D`, ""},
		{"utf-16, odd", "05 00 41 00 42", "A", ""},
		{"trailing spaces", "05 01 41 20 20", "A", ""},
		{"control characters", "05 01 41 1B 5B", `A\x1B[`, ""},
		{"latin", "04 01 E4 41", `\xE4A`, ""},
		{"length 0", "00 01", "", "pgn: decode 126998: field installation_description_1 at byte 0: length runs past the end of the message or is below 2"},
		{"length 1", "01 01", "", "pgn: decode 126998: field installation_description_1 at byte 0: length runs past the end of the message or is below 2"},
		{"past the end", "06 01 41", "", "pgn: decode 126998: field installation_description_1 at byte 0: length runs past the end of the message or is below 2"},
		{"type", "03 07 41", "", "pgn: decode 126998: field installation_description_1 at byte 0: text type is neither 0 (UTF-16) nor 1 (ASCII)"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := unhex(t, tt.bytes)
			values, err := Lookup(126998).Decode(p, nil)
			if got := fmt.Sprint(err); err != nil && got != tt.fail || err == nil && tt.fail != "" {
				t.Errorf("error %q, want %q", got, tt.fail)
			}
			if len(values) != 3 || values[0].Str() != tt.first || values[2].State != Missing {
				t.Errorf("%v, want %q", values, tt.first)
			}
			var m ConfigurationInformation
			if err := m.Decode(p); m.Installation1 != tt.first || (err != nil) != (tt.fail != "") {
				t.Errorf("%+v, %v", m, err)
			}
		})
	}
}

func TestFixedText(t *testing.T) {
	for in, want := range map[string]string{
		"41 42 43 44 45 46 47": "ABCDEFG",
		"41 42 FF FF FF FF FF": "AB",
		"41 42 00 43 00 00 00": "AB",
		"41 42 40 40 40 40 40": "AB",
		"41 20 42 20 20 20 20": "A B",
		"FF FF FF FF FF FF FF": "",
		"41 09 42 80 00 00 00": `A\x09B\x80`,
	} {
		values, err := Lookup(129794).Decode(unhex(t, "05 FFFFFFFF FFFFFFFF"+in), nil)
		if err != nil {
			t.Fatal(err)
		}
		if got := Find(values, "call_sign", 0).Str(); got != want {
			t.Errorf("%s: %q, want %q", in, got, want)
		}
	}
}

// The two sources of 129802 disagree about its text.
func TestSafetyText(t *testing.T) {
	const head = "0E 01000000 FF"
	for in, want := range map[string]string{"06 01 46 49 52 45 07": "FIRE", "46 49 52 45 40 40": "FIRE"} {
		values, err := Lookup(129802).Decode(unhex(t, head+in), nil)
		if err != nil {
			t.Error(err)
		}
		if got := Find(values, "safety_related_text", 0).Str(); got != want {
			t.Errorf("%s: %q", in, got)
		}
	}
}
