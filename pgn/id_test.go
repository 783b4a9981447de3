package pgn

import "testing"

// Marked "capture" came off a wire (CAN capture shipped with gpsd 3.22 tests); the others are built by the rules of SAE J1939-21.
func TestID(t *testing.T) {
	tests := []struct {
		id        ID
		priority  uint8
		pgn       uint32
		src, dst  uint8
		addressed bool
	}{
		{0x09F80102, 2, 129025, 2, 255, false},   // capture
		{0x18EEFF11, 6, 60928, 17, 255, true},    // capture
		{0x18EAFFFE, 6, 59904, 254, 255, true},   //
		{0x1DEFFF01, 7, 126720, 1, 255, true},    // capture
		{0x0DF01002, 3, 126992, 2, 255, false},   // capture
		{0x19F212B0, 6, 127506, 176, 255, false}, // capture
		{0x11F80E01, 4, 129038, 1, 255, false},   // capture
		{0x0DED2301, 3, 126208, 1, 35, true},     //
		{0x1CECFF23, 7, 60416, 35, 255, true},    //
		{0x1CEB2340, 7, 60160, 64, 35, true},     //
		{0x18E80523, 6, 59392, 35, 5, true},      //
		{0x1DFF0A07, 7, 130826, 7, 255, false},   //
	}
	for _, tt := range tests {
		id := tt.id
		if id.Priority() != tt.priority || id.PGN() != tt.pgn || id.Source() != tt.src || id.Destination() != tt.dst || id.Addressed() != tt.addressed {
			t.Errorf("%08X = priority %d, PGN %d, from %d to %d, addressed %t; want %+v",
				uint32(id), id.Priority(), id.PGN(), id.Source(), id.Destination(), id.Addressed(), tt)
		}
		if got := MakeID(tt.priority, tt.pgn, tt.src, tt.dst); got != id {
			t.Errorf("MakeID(%d, %d, %d, %d) = %08X, want %08X", tt.priority, tt.pgn, tt.src, tt.dst, uint32(got), uint32(id))
		}
	}
}
