package transport

import (
	"fmt"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

// Split appends the frames of a message to dst: one frame for a single frame PGN, a fast packet for a fast one, of sequence number
// sequence (its low 3 bits count). A message that only the ISO protocol can carry is an error: see Exchange.
func Split(dst []can.Frame, id pgn.ID, sequence uint8, data []byte) ([]can.Frame, error) {
	number := id.PGN()
	if pgn.TransportOf(number) == pgn.Fast {
		return splitFast(dst, id, sequence, data)
	}
	if len(data) > can.MaxDataLength {
		return dst, fmt.Errorf("transport: PGN %d of %d bytes does not fit into a frame", number, len(data))
	}
	f := can.Frame{ID: uint32(id), Length: uint8(len(data)), IsExtended: true}
	copy(f.Data[:], data)
	return append(dst, f), nil
}

func splitFast(dst []can.Frame, id pgn.ID, sequence uint8, data []byte) ([]can.Frame, error) {
	if len(data) == 0 || len(data) > MaxFast {
		return dst, fmt.Errorf("transport: PGN %d of %d bytes: a fast packet carries 1 to %d", id.PGN(), len(data), MaxFast)
	}
	head := sequence << 5
	f := can.Frame{ID: uint32(id), Length: 8, IsExtended: true}
	for i := range f.Data {
		f.Data[i] = 0xFF // what fills the last frame
	}
	f.Data[0], f.Data[1] = head, uint8(len(data))
	at := copy(f.Data[2:], data)
	dst = append(dst, f)
	for number := uint8(1); at < len(data); number++ {
		for i := range f.Data {
			f.Data[i] = 0xFF
		}
		f.Data[0] = head | number
		at += copy(f.Data[1:], data[at:])
		dst = append(dst, f)
	}
	return dst, nil
}

// Exchange appends the frames in which the ISO protocol carries a message from a source address to another, or to all (pgn.Global), in
// their order: those of the receiver are among them.
func Exchange(dst []can.Frame, number uint32, from, to uint8, data []byte) ([]can.Frame, error) {
	s, err := NewSender(number, from, to, data)
	if err != nil {
		return dst, err
	}
	var r *Receiver
	for now := event.Time(1); !s.Done(); now = max(now, s.Wake()) {
		if err := s.Err(); err != nil {
			return dst, fmt.Errorf("transport: PGN %d from %d to %d: %w", number, from, to, err)
		}
		for f, ok := s.Next(now); ok; f, ok = s.Next(now) {
			dst = append(dst, f)
			if r == nil {
				r, _ = Accept(now, to, &f)
			} else {
				r.Handle(now, &f)
			}
		}
		if r == nil {
			continue
		}
		for f, ok := r.Next(now); ok; f, ok = r.Next(now) {
			dst = append(dst, f)
			s.Handle(now, &f)
		}
	}
	return dst, nil
}
