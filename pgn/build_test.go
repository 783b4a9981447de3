package pgn

import (
	"bytes"
	"errors"
	"math"
	"testing"
)

func TestPack(t *testing.T) {
	tests := []struct {
		name   string
		pgn    uint32
		fields map[string]any
		want   string
		fail   string
	}{
		{"nothing", 130306, nil, "FF FFFF FFFF FF FFFF", ""},
		{"wind", 130306, map[string]any{"sid": 7, "wind_speed": 5.27, "wind_angle": 1.0, "reference": "apparent"}, "07 0F02 1027 FA FFFF", ""},
		{"code as number", 130306, map[string]any{"reference": 2}, "FF FFFF FFFF FA FFFF", ""},
		{"not available", 130306, map[string]any{"wind_speed": nil}, "FF FFFF FFFF FF FFFF", ""},
		{"negative", 127250, map[string]any{"variation": -0.05}, "FF FFFF FF7F 0CFE FF", ""},
		{"NaN is not a number", 130306, map[string]any{"wind_speed": math.NaN()}, "FF FFFF FFFF FF FFFF", ""},
		{"list", 126464, map[string]any{"function_code": 1, "pgn": []any{130306, 129029}}, "01 02FD01 05F801", ""},
		{"satellites", 129540, map[string]any{"prn": []any{5, 9}, "snr": []any{40.0}},
			"FF FF 02 05 FF7F FFFF A00F FFFFFF7F FF 09 FF7F FFFF FF7F FFFFFF7F FF", ""},
		{"count given", 129540, map[string]any{"satellites_in_view": 1}, "FF FF 01 FF FF7F FFFF FF7F FFFFFF7F FF", ""},
		{"strings", 126998, map[string]any{"installation_description_1": "Mast", "manufacturer_information": "Hüb"}, "06 01 4D617374 02 01 08 00 4800 FC00 6200", ""},
		{"switches", 127501, map[string]any{"instance": 0, "indicator": []any{true, false, nil, "on"}}, "00 71 FF FF FF FF FF FF", ""},
		{"text", 129809, map[string]any{"message_id": 24, "mmsi": 200456789, "name": "DUNLIN"}, "18 55BAF20B 44554E4C494E FFFFFFFFFFFFFFFFFFFFFFFFFFFF FF FF", ""},
		{"command", 126208, map[string]any{"group_function_code": "command", "target_pgn": 130312, "priority": 8, "parameter": []any{2}, "value": []any{5}}, "01 08FD01 F8 01 02 05", ""},

		{"unknown key", 127251, map[string]any{"speed": 1}, "", `pgn: pack 127251 (Rate of Turn): no field "speed"; it has sid, rate_of_turn`},
		{"unknown code", 130306, map[string]any{"reference": "sideways"}, "", `pgn: build 130306: field reference: "sideways" is not in the table "wind_reference"`},
		{"too large", 130306, map[string]any{"wind_speed": 1000}, "", "pgn: build 130306: field wind_speed: 1000 is outside 0 to 655.32"},
		{"too small", 130306, map[string]any{"wind_speed": -1}, "", "pgn: build 130306: field wind_speed: -1 is outside 0 to 655.32"},
		{"infinite", 130306, map[string]any{"wind_speed": math.Inf(1)}, "", "pgn: build 130306: field wind_speed: +Inf is outside 0 to 655.32"},
		{"wrong type", 130306, map[string]any{"wind_speed": struct{}{}}, "", "pgn: pack 130306: field wind_speed: struct {} is neither number nor text"},
		{"text too long", 129809, map[string]any{"name": "A NAME OF MORE THAN TWENTY"}, "", "pgn: build 129809: field name: text of 26 bytes does not fit into 20"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p, err := Lookup(tt.pgn).Pack(nil, tt.fields)
			if tt.fail != "" {
				if err == nil || err.Error() != tt.fail || len(p) != 0 {
					t.Errorf("% X, %v\nwant %s", p, err, tt.fail)
				}
			} else if want := unhex(t, tt.want); err != nil || !bytes.Equal(p, want) {
				t.Errorf("% X, %v\nwant % X", p, err, want)
			}
		})
	}
}

// The three widest numbers reach float64's limits.
func TestExtremes(t *testing.T) {
	d := Lookup(129029)
	for _, n := range []float64{90, -90, 180, -180, 0.1234567890123456} {
		p, err := d.Pack(nil, map[string]any{"latitude": n})
		if err != nil {
			t.Fatal(err)
		}
		values, _ := d.Decode(p, nil)
		if got := Find(values, "latitude", 0); got == nil || got.State != Available || got.Number != n {
			t.Errorf("%g comes back as %v", n, got)
		}
	}
	if _, err := d.Pack(nil, map[string]any{"latitude": 1000}); err == nil {
		t.Error("1000 degrees are accepted")
	}
	p, err := Lookup(65240).Pack(nil, map[string]any{"name": uint64(1) << 63, "new_source_address": 3})
	if err != nil || !bytes.Equal(p, unhex(t, "0000000000000080 03")) {
		t.Errorf("% X, %v", p, err)
	}
}

func TestTooLong(t *testing.T) {
	var many []any
	for range 100 {
		many = append(many, 130306)
	}
	if p, err := Lookup(126464).Pack([]byte{1}, map[string]any{"function_code": 0, "pgn": many}); !errors.Is(err, ErrTooLong) || len(p) != 1 {
		t.Errorf("%d bytes, %v", len(p), err)
	}
}

func TestByNumber(t *testing.T) {
	for _, tt := range []struct {
		pgn  uint32
		n    int
		want string
	}{
		{130312, 2, "temperature_instance"}, {130312, 7, ""}, {130312, 0, ""},
		{127501, 1, "bank_instance"}, {127501, 2, "indicator"}, {127501, 29, "indicator"}, {127501, 30, ""},
		{129540, 5, "prn"}, {129540, 12, "prn"}, {129540, 13, "elevation"},
	} {
		got := ""
		if f := Lookup(tt.pgn).ByNumber(tt.n); f != nil {
			got = f.Key
		}
		if got != tt.want {
			t.Errorf("%d field %d: %q, want %q", tt.pgn, tt.n, got, tt.want)
		}
	}
}
