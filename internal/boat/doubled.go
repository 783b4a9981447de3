package boat

import (
	"cmp"
	"encoding/binary"
	"slices"
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// doubled finds in a message that nobody numbers whether two send it from one address. While a device that claimed the
// address reports no other, two senders in turn show when every second message comes at the interval at which one alone
// sent, and either the intervals between are uneven, or the values go to and fro. One that sends faster than before does
// neither; one whose own two measurements come in turn did so before, too. Without a claim, two clocks show them.
type doubled struct {
	alone  time.Duration // the interval of one sender; 0 while no other device claimed the address
	at     [2]event.Time // of the latest messages, the last one first
	value  [2]int64
	uneven time.Duration // how much longer the latest interval was than the one before
	step   int64         // from the value before to the latest
	def    *pgn.Definition
	field  *pgn.Field // whose values are compared; nil for none
	mask   uint64     // bits of every code
	codes  uint64     // of the messages that are compared
	turns  uint8
	since  event.Time
	slide  slide
}

// Bounds of what shows two senders; common practice, no source.
const (
	aloneLeast = 30 * time.Second // after which an interval is known that is not the published one
	aloneShare = 8                // part of the interval by which one may differ
	unevenLess = 8                // part of the interval by which two that follow each other differ at least
	toAndFro   = 2                // times by which a value is nearer the one before the last than the last
	outOfTurn  = 3                // turns that one message out of turn takes back
	flicker    = 4                // steps of resolution that are none
)

// watch begins to look for a second sender of a message that comes by itself.
func (s *stream) watch() {
	if s.nominal() > 0 && s.def.Transport == pgn.Single && s.pgn != pgnHeartbeat {
		s.doubled = &doubled{def: s.def}
	}
}

// rivalled notes that another device claimed the address. One alone sent the message at the interval; 0 for its
// published one.
func (s *stream) rivalled(alone time.Duration) {
	if s.doubled != nil {
		s.doubled.alone, s.doubled.turns = cmp.Or(alone, s.nominal()), 0
	}
}

// begin chooses what of the message is compared: those with the codes of the first one, by the first value that this gives.
func (w *doubled) begin(bits uint64) {
	w.mask, w.field = 0, nil
	for i := range w.def.Fields {
		f := &w.def.Fields[i]
		switch {
		case f.Bit < 0 || f.Bit+f.Width > 64:
		case f.Type == pgn.Enum:
			w.mask |= (1<<f.Width - 1) << f.Bit
		case w.field == nil && f.Unit != "" && f.Width >= 8:
			none := uint64(1)<<(f.Width-1) - 1 // of a signed value; of others the next higher bit is set too
			if raw := bits >> f.Bit; raw&none != none {
				w.field = f
			}
		}
	}
	w.codes = bits & w.mask
}

// hear takes the next message.
func (w *doubled) hear(data []byte, t event.Time) {
	var frame [8]byte
	copy(frame[:], data)
	bits := binary.LittleEndian.Uint64(frame[:])
	if w.at[0] == 0 {
		w.begin(bits)
	}
	if bits&w.mask != w.codes || t == 0 {
		return
	}
	value := int64(0)
	if f := w.field; f != nil {
		value = int64(bits<<(64-f.Bit-f.Width)) >> (64 - f.Width)
	}
	gap, step := t.Sub(w.at[0]), value-w.value[0]
	uneven := gap - w.at[0].Sub(w.at[1])
	if w.at[1] != 0 {
		whole := t.Sub(w.at[1])
		w.slide.hear(gap, whole, t)
		inTime := (whole - w.alone).Abs() <= w.alone/aloneShare
		inTurn := uneven.Abs() > whole/unevenLess && (uneven > 0) != (w.uneven > 0)
		toFro := max(step, -step) > toAndFro*max(value-w.value[1], w.value[1]-value)+flicker && (step > 0) != (w.step > 0)
		switch {
		case w.alone == 0:
		case !inTime || !inTurn && !toFro:
			w.turns -= min(w.turns, outOfTurn)
		case w.turns == 0:
			w.since = t
			fallthrough
		default:
			w.turns = min(w.turns+1, maxTurns)
		}
	}
	w.at, w.value = [2]event.Time{t, w.at[0]}, [2]int64{value, w.value[0]}
	w.uneven, w.step = uneven, step
}

// rivalled notes that loser claimed the address of d, which keeps it: from now on a second sender is looked for in each
// message that both may send. before is who had the address until then.
func (d *device) rivalled(loser, before *device) {
	if d.loser == loser {
		return
	}
	d.loser = loser
	for _, s := range d.streams {
		s.rivalled(before.interval(s))
	}
}

// interval is how often the device sent the message by itself, 0 for unknown.
func (d *device) interval(like *stream) time.Duration {
	k := slices.IndexFunc(d.streams, func(s *stream) bool { return s.pgn == like.pgn && s.key == like.key })
	if k < 0 || d.lastSeen.Sub(d.streams[k].first) < aloneLeast {
		return 0
	}
	return d.streams[k].recent
}

// loses reports whether another device has the address that this one claimed last, and it reported no other since.
func (d *device) loses() bool {
	return d.lost != pgn.Null && !d.cannot && (d.address == pgn.Null || d.lastSeen <= d.claimed)
}

// twoSenders reports whether a device that claimed the address of d, and reported no other, may still send from it.
func (d *device) twoSenders() bool {
	return d.loser != nil && d.loser.lost == d.address && d.loser.loses()
}

// forwards reports whether the device sends what others measure, so that one message of it may come by several clocks.
func (d *device) forwards() bool {
	const internetwork = 25 // device class
	return d.named && d.sender.NAME.Fields().DeviceClass == internetwork
}
