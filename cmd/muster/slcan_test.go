package main

import (
	"bytes"
	"testing"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"
)

func TestAdapter(t *testing.T) {
	frame := can.Frame{ID: 0x18EEFF23, IsExtended: true, Length: 2, Data: can.Data{0xAB, 0x01}}
	tests := []struct {
		name, in, out string
		sent          []can.Frame
	}{
		{"open and send", "C\rS5\rO\rT18EEFF232AB01\r", "\r\r\rZ\r", []can.Frame{frame}},
		{"lower-case digits", "O\rT18eeff232ab01\r", "\rZ\r", []can.Frame{frame}},
		{"standard frame", "O\rt1230\r", "\rz\r", []can.Frame{{ID: 0x123}}},
		{"remote frame", "O\rR18EEFF232\r", "\rZ\r", []can.Frame{{ID: 0x18EEFF23, IsExtended: true, IsRemote: true, Length: 2}}},
		{"closed", "T18EEFF232AB01\r", "\a", nil},
		{"listen only", "L\rT18EEFF232AB01\r", "\r\a", nil},
		{"opened twice", "O\rO\r", "\r\a", nil},
		{"bit rate while open", "O\rS6\r", "\r\a", nil},
		{"version", "V\rN\rF\r", "V0101\rN0001\rF00\r", nil},
		{"identifier too high", "O\rT3FFFFFFF0\rt8000\r", "\r\a\a", nil},
		{"length above 8", "O\rT18EEFF239000000000000000000\r", "\r\a", nil},
		{"data missing", "O\rT18EEFF232AB\rT18EEFF23\r", "\r\a\a", nil},
		{"no hex", "O\rT18EEFF232ABXX\rT+8EEFF230\r", "\r\a\a", nil},
		{"unknown", "Q\r?\r\r", "\a\a\r", nil},
		{"endless line", string(bytes.Repeat([]byte("T"), 10_000)) + "\rV\r", "\aV0101\r", nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, step := range []int{1, 3, len(tt.in)} {
				var a adapter
				var out []byte
				var sent []can.Frame
				for in := []byte(tt.in); len(in) > 0; {
					n := min(step, len(in))
					out = a.hear(in[:n], out, func(f can.Frame) { sent = append(sent, f) })
					in = in[n:]
				}
				if d := cmp.Diff(tt.out, string(out)); d != "" {
					t.Errorf("in steps of %d: answers: %s", step, d)
				}
				if d := cmp.Diff(tt.sent, sent); d != "" {
					t.Errorf("in steps of %d: frames: %s", step, d)
				}
			}
		})
	}
}

func FuzzAdapter(f *testing.F) {
	f.Add([]byte("C\rS5\rO\rT18EEFF232AB01\r"))
	f.Add([]byte("L\rr1230\rV\r\a\n"))
	f.Fuzz(func(t *testing.T, in []byte) {
		var a adapter
		a.hear(append([]byte("O\r"), in...), nil, func(frame can.Frame) {
			if err := frame.Validate(); err != nil {
				t.Errorf("passed on a bad frame: %v", err)
			}
			var b adapter
			var again []can.Frame
			b.hear(append([]byte("O\r"), appendFrame(nil, &frame)...), nil, func(f can.Frame) { again = append(again, f) })
			if len(again) != 1 || again[0] != frame {
				t.Errorf("%v came back as %v", frame, again)
			}
		})
		if len(a.line) > maxCommand {
			t.Errorf("a line of %d bytes is kept", len(a.line))
		}
	})
}
