package main

import (
	"fmt"
	"strconv"

	"go.einride.tech/can"
)

// adapter is the far end of a serial line: it behaves like an adapter of the ASCII protocol that the kernel's slcan
// driver and many programs use. It is given what the host writes and returns what to write back.
type adapter struct {
	open   bool // the host opened the bus
	listen bool // it did so to listen only: its frames are refused
	line   []byte
	long   bool // the line is longer than any command; it is refused at its end
}

// longest command: T, identifier, length, 8 bytes.
const maxCommand = 1 + 8 + 1 + 16 + 4

// hear takes what the host wrote. Frames that the host puts on the bus are given to send; the answers are added to
// out.
func (a *adapter) hear(p, out []byte, send func(can.Frame)) []byte {
	for _, c := range p {
		switch {
		case c == '\r':
			if a.long {
				out = append(out, '\a')
			} else {
				out = a.command(a.line, out, send)
			}
			a.line, a.long = a.line[:0], false
		case c == '\n':
		case len(a.line) >= maxCommand:
			a.long = true
		default:
			a.line = append(a.line, c)
		}
	}
	return out
}

func (a *adapter) command(line, out []byte, send func(can.Frame)) []byte {
	if len(line) == 0 {
		return append(out, '\r')
	}
	switch line[0] {
	case 'O', 'L':
		if a.open {
			return append(out, '\a')
		}
		a.open, a.listen = true, line[0] == 'L'
		return append(out, '\r')
	case 'C':
		a.open = false
		return append(out, '\r')
	case 'S', 's', 'Z', 'M', 'm': // bit rate, time stamps, acceptance: taken and of no effect
		if a.open {
			return append(out, '\a')
		}
		return append(out, '\r')
	case 'V':
		return append(out, "V0101\r"...)
	case 'N':
		return append(out, "N0001\r"...)
	case 'F':
		return append(out, "F00\r"...)
	case 't', 'T', 'r', 'R':
		f, ok := parseCommandFrame(line)
		if !ok || !a.open || a.listen {
			return append(out, '\a')
		}
		send(f)
		if f.IsExtended {
			return append(out, "Z\r"...)
		}
		return append(out, "z\r"...)
	}
	return append(out, '\a')
}

// parseCommandFrame reads tIIILDD…, TIIIIIIIILDD… and the remote forms without data.
func parseCommandFrame(line []byte) (f can.Frame, ok bool) {
	digits := 3
	f.IsExtended = line[0] == 'T' || line[0] == 'R'
	f.IsRemote = line[0]|0x20 == 'r'
	if f.IsExtended {
		digits = 8
	}
	if len(line) < 1+digits+1 {
		return f, false
	}
	id, err := strconv.ParseUint(string(line[1:1+digits]), 16, 32)
	length := line[1+digits]
	if err != nil || id > can.MaxExtendedID || !f.IsExtended && id > can.MaxID || length < '0' || length > '8' {
		return f, false
	}
	f.ID, f.Length = uint32(id), length-'0'
	data := line[2+digits:]
	if f.IsRemote {
		return f, len(data) == 0
	}
	if len(data) != 2*int(f.Length) {
		return f, false
	}
	for i := range f.Data[:f.Length] {
		v, err := strconv.ParseUint(string(data[2*i:2*i+2]), 16, 8)
		if err != nil {
			return f, false
		}
		f.Data[i] = byte(v)
	}
	return f, true
}

// appendFrame adds a frame as the adapter sends it to the host.
func appendFrame(b []byte, f *can.Frame) []byte {
	letter := byte('t')
	if f.IsRemote {
		letter = 'r'
	}
	if f.IsExtended {
		b = fmt.Appendf(b, "%c%08X%d", letter&^0x20, f.ID, f.Length)
	} else {
		b = fmt.Appendf(b, "%c%03X%d", letter, f.ID, f.Length)
	}
	if !f.IsRemote {
		b = fmt.Appendf(b, "%X", f.Data[:min(f.Length, 8)])
	}
	return append(b, '\r')
}
