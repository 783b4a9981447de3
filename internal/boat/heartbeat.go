package boat

import (
	"time"

	"muster/internal/event"
)

// Beat is what the heartbeats (PGN 126993) of a device show. The interval and the sequence are those of an open
// device stack; the meaning of the two-bit states rests on memory of the standard, so do not act on them alone.
type Beat struct {
	Count       uint64
	At          event.Time    // of the latest
	Usual       time.Duration // smoothed interval; 0 when there was one heartbeat
	Lost        uint64        // numbers skipped in the sequence
	Controllers [2]BeatState  // of the CAN controllers
	Equipment   BeatState
}

// BeatState is a two-bit state of a heartbeat.
type BeatState uint8

// The states of a controller, and of the equipment. Both are not available at 3.
const (
	BeatActive       BeatState = 0 // of the equipment: operational
	BeatPassive      BeatState = 1 // of the equipment: a fault
	BeatBusOff       BeatState = 2 // of the equipment: not used
	BeatNotAvailable BeatState = 3
)

// beat is the heartbeat of a device.
type beat struct {
	Beat
	spans    spans
	sequence uint8
	sharing  sharing
}

// lastSequence is the highest number of a sequence that wraps; what is above belongs to answers to a request.
const lastSequence = 252

// takeBeat reads a heartbeat.
func (d *device) takeBeat(data []byte, t event.Time) bool {
	if len(data) < 4 {
		return false
	}
	if d.beat == nil {
		d.beat = &beat{sequence: 255}
	}
	b := d.beat
	b.Count++
	b.At = t
	if seq := data[2]; seq <= lastSequence {
		b.spans.add(t)
		if b.sequence <= lastSequence {
			b.Lost += uint64((int(seq) - int(b.sequence) + 2*(lastSequence+1) - 1) % (lastSequence + 1))
		}
		b.sequence = seq
		b.sharing.hear(seq, lastSequence+1, false, t)
	}
	s := data[3]
	b.Controllers = [2]BeatState{BeatState(s & 3), BeatState(s >> 2 & 3)}
	b.Equipment = BeatState(s >> 4 & 3)
	return true
}

// heartbeat is the report's form, nil when the device sent none.
func (d *device) heartbeat() *Beat {
	if d.beat == nil {
		return nil
	}
	b := d.beat.Beat
	b.Usual = d.beat.spans.recent
	return &b
}
