package nmea0183

import (
	"fmt"
	"slices"
)

// Condition is what a line's bytes show of the line.
type Condition uint8

// The conditions.
const (
	ConditionUnknown   Condition = iota // too little was received
	ConditionGood                       // at least nine of ten lines hold whole sentences
	ConditionNoisy                      // sentences, but many damaged: bad contact, two talkers on one pair, an overrun
	ConditionWrongBaud                  // binary noise such as another rate or reversed wires give
	ConditionOther                      // readable text that is not NMEA 0183
	ConditionSwapped                    // sentences at the right rate, upside down: the wires A and B are swapped
	conditionCount
)

var conditionNames = [conditionCount]string{"unknown", "good", "noisy", "wrong-baud", "other-protocol", "swapped-wires"}

// String is the condition as a word.
func (c Condition) String() string {
	if c < conditionCount {
		return conditionNames[c]
	}
	return fmt.Sprintf("condition(%d)", uint8(c))
}

// Verdict is the judgement of a line.
type Verdict struct {
	Condition Condition
	Baud      uint32 // the talker's likely rate when the one in use is wrong; 0 when it is unknown
}

// Quality gathers what a line's bytes show. The zero value is ready; the past fades, so that a repaired line soon
// counts as good.
type Quality struct {
	lines, whole uint32 // lines, and those with a whole sentence
	bytes        uint32
	plain        uint32 // printable bytes
	zero         uint32 // bytes of value 0
	slow         [len(slowdowns)]uint32
	swapped      uint32 // ends of sentences among bytes that are upside down
}

// slowdowns are the ratios of two standard rates by which a receiver can be too fast, largest first.
var slowdowns = [...]uint32{8, 6, 4, 3, 2}

// Bounds of what is gathered.
const (
	fewBytes  = 160  // less than this, two sentences' worth, is too little for a verdict
	manyBytes = 8192 // at this all counts are halved
)

// Add takes one raw line and the number of whole sentences in it: those that Parse gave without an error and whose
// checksum is not bad.
func (q *Quality) Add(line []byte, whole int) {
	q.lines++
	if whole > 0 {
		q.whole++
	}
	line = line[:min(len(line), manyBytes)]
	if whole > 0 { // text at the right rate
		q.plain += uint32(len(line))
		q.count(len(line))
		return
	}
	q.swapped += upsideDown(line)
	for _, c := range line {
		if c >= 0x20 && c <= 0x7E {
			q.plain++
		}
		if c == 0 {
			q.zero++
		}
		for fits, i := stretches[c], 0; fits != 0; fits, i = fits>>1, i+1 {
			q.slow[i] += uint32(fits & 1)
		}
	}
	q.count(len(line))
}

// count counts bytes and lets the past fade.
func (q *Quality) count(n int) {
	q.bytes += uint32(n)
	if q.bytes < manyBytes {
		return
	}
	for _, n := range []*uint32{&q.lines, &q.whole, &q.bytes, &q.plain, &q.zero, &q.swapped} {
		*n /= 2
	}
	for i := range q.slow {
		q.slow[i] /= 2
	}
}

// stretches has for each byte one bit for each of slowdowns: whether a receiver too fast by that can have read it. It
// is never written to.
var stretches = func() (fits [256]uint8) {
	for c := range fits {
		for i, k := range slowdowns {
			if stretched(byte(c), k) {
				fits[c] |= 1 << i
			}
		}
	}
	return fits
}()

// stretched reports whether a receiver k times too fast can have read c: it samples each bit of the line k times, the
// start bit included.
func stretched(c byte, k uint32) bool {
	frame := uint32(c) << 1 // bit 0 is the start bit
	for bit := uint32(1); bit < 9; bit++ {
		if bit%k != 0 && frame>>bit&1 != frame>>(bit-1)&1 {
			return false
		}
	}
	return true
}

// upsideDown counts the ends of sentences ("*4C" and a carriage return) in what a receiver reads at the right rate from swapped wires. It takes
// the talker's stop bit, which is the only falling edge between two characters, for the start bit of the next one: the talker's start bit
// becomes its lowest bit, always 1, and the talker's seven bits follow, inverted.
func upsideDown(line []byte) (ends uint32) {
	text := func(i int) byte { return ^line[i] >> 1 }
	for i := range len(line) - 3 {
		if line[i]&line[i+1]&line[i+2]&line[i+3]&1 == 1 && text(i) == '*' && isHex(text(i+1)) &&
			isHex(text(i+2)) && text(i+3) == '\r' {
			ends++
		}
	}
	return ends
}

// Verdict assesses the line, which is read at the given baud (0 when there is none, as on TCP).
//
// A receiver that is two to eight times too fast sees each bit of the line stretched, which shows the talker's rate. At the right rate,
// swapped wires show the talker's text upside down. A receiver that is too slow, or more than eight times too fast, gets noise that shows
// neither rate nor polarity: then no rate is named.
func (q *Quality) Verdict(baud uint32) Verdict {
	switch {
	case q.bytes < fewBytes:
		return Verdict{}
	case q.whole*10 >= q.lines*9:
		return Verdict{Condition: ConditionGood}
	case q.whole*5 >= q.lines:
		return Verdict{Condition: ConditionNoisy}
	case q.swapped > 0 && q.swapped*manyBytes/16 >= q.bytes:
		return Verdict{Condition: ConditionSwapped}
	case q.plain*10 >= q.bytes*9:
		return Verdict{Condition: ConditionOther}
	case baud == 0:
		return Verdict{Condition: ConditionNoisy}
	}
	return Verdict{Condition: ConditionWrongBaud, Baud: q.likely(baud)}
}

// likely is the talker's rate as far as noise read at baud shows it, else 0.
func (q *Quality) likely(baud uint32) uint32 {
	for i, k := range slowdowns {
		if q.slow[i]*20 < q.bytes*19 {
			continue
		}
		// A receiver that is more than eight times too fast reads nothing but zeros, as it does from a line that is interrupted.
		if rate := baud / k; rate*k == baud && slices.Contains(usualRates[:], rate) && q.zero*20 < q.bytes*19 {
			return rate
		}
		return 0
	}
	return 0
}

// usualRates are the standard's two rates and those of manufacturers, in bit/s.
var usualRates = [...]uint32{4800, 9600, 19200, 38400, 57600, 115200}
