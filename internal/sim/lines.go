package sim

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"time"

	"muster/internal/event"
)

// line is one NMEA 0183 line at work.
type line struct {
	spec    *Line
	network uint16
	freeAt  event.Time // when the sentence on the line ends
	turns   []int      // sentences written so far, by the spec's sentence

	badUntil, garbleUntil, silentUntil, misreadUntil event.Time
	badShare, garbleShare                            float64

	misread uint32 // the rate at which the talkers send meanwhile
}

func (s *Sim) addLine(i int, spec *Line) {
	l := &line{spec: spec, network: uint16(i + 1), turns: make([]int, len(spec.Sentences))}
	s.lines = append(s.lines, l)
	for j := range spec.Sentences {
		s.wheel.add(s.start.Add(s.random(spec.Sentences[j].Every)), item{kind: itemSentence, device: i, index: j})
	}
}

func (s *Sim) lineFault(a *Action) {
	for _, l := range s.lines {
		if l.spec.ID != a.Line {
			continue
		}
		until := s.now.Add(a.For)
		switch a.Do {
		case "bad-checksums":
			l.badUntil, l.badShare = until, a.Share
		case "garbled-lines":
			l.garbleUntil, l.garbleShare = until, a.Share
		case "wrong-baud":
			l.misreadUntil, l.misread = until, a.Baud
			if a.For == 0 {
				l.misreadUntil = forever
			}
		default:
			l.silentUntil = until
		}
	}
}

// sentence writes one sentence, or the sentences of one AIS message, and plans the next. A line carries 10 bits a character; a talker
// that has fallen more than a second behind leaves the sentence out, as a full buffer does.
func (s *Sim) sentence(it item) {
	l := s.lines[it.device]
	spec := &l.spec.Sentences[it.index]
	s.wheel.add(it.at.Add(spec.Every), item{kind: itemSentence, device: it.device, index: it.index})
	if s.now < l.silentUntil || l.freeAt.Sub(s.now) > time.Second {
		return
	}
	s.world.advance(s.now)
	turn := l.turns[it.index]
	l.turns[it.index]++
	if own := spec.Formatter == "VDO"; own || spec.Formatter == "VDM" {
		for _, fields := range aisMessage(own, &s.world.view, turn).sentences(own, turn) {
			s.write(l, '!', spec, func(b []byte) []byte { return append(b, fields...) })
		}
		return
	}
	s.write(l, '$', spec, func(b []byte) []byte { return sentences[spec.Formatter](b, &s.world.view, turn+1) })
}

// write puts one sentence on the line, with what is wrong with the line at the moment.
func (s *Sim) write(l *line, first byte, spec *Sentence, fields func([]byte) []byte) {
	start := len(s.text)
	s.text = append(s.text, first)
	s.text = append(s.text, spec.Talker...)
	s.text = append(s.text, spec.Formatter...)
	s.text = fields(append(s.text, ','))
	sum := byte(0)
	for _, c := range s.text[start+1:] {
		sum ^= c
	}
	if s.now < l.badUntil && s.rng.Float64() < l.badShare {
		sum ^= 0x15
	}
	s.text = fmt.Appendf(s.text, "*%02X", sum)
	if s.now < l.garbleUntil && s.rng.Float64() < l.garbleShare {
		for i := start; i < len(s.text); i += 1 + s.rng.IntN(9) {
			s.text[i] |= 0x80
		}
	}
	raw := s.text[start:len(s.text):len(s.text)]
	baud := l.spec.Baud
	if s.now < l.misreadUntil {
		baud = l.misread
	}
	l.freeAt = max(l.freeAt, s.now).Add(time.Duration(len(raw)+2) * 10 * time.Second / time.Duration(baud))
	if baud == l.spec.Baud {
		s.emit(event.Event{Kind: event.KindLine, Network: l.network, Line: raw})
		return
	}
	for line := range bytes.FieldsFuncSeq(misheard(raw, baud, l.spec.Baud), func(r rune) bool { return r == '\r' || r == '\n' }) {
		for piece := range slices.Chunk(line, maxNoise) {
			s.emit(event.Event{Kind: event.KindLine, Network: l.network, Line: piece})
		}
	}
}

// maxNoise is the longest line that is made of noise, as a port makes it.
const maxNoise = 512

// misheard is what a port read at rx baud makes of a sentence sent at tx: it waits for a falling edge and takes the middle of nine bits,
// at its own rate. Times are in parts of a second of which a bit of the sender has 2·rx and one of the receiver 2·tx.
func misheard(text []byte, tx, rx uint32) (heard []byte) {
	level := func(at uint64) bool {
		bit := at / (2 * uint64(rx))
		i, k := bit/10, bit%10
		switch {
		case i >= uint64(len(text)+2) || k == 9: // at rest, or a stop bit
			return true
		case k == 0: // a start bit
			return false
		case i >= uint64(len(text)):
			return "\r\n"[i-uint64(len(text))]>>(k-1)&1 == 1
		}
		return text[i]>>(k-1)&1 == 1
	}
	step := 2 * uint64(rx)
	for at := uint64(0); at < uint64(len(text)+2)*10*step; {
		if level(at) || at > 0 && !level(at-1) {
			at = (at/step + 1) * step
			continue
		}
		c := byte(0)
		for k := range uint64(8) {
			if level(at + (2*k+3)*uint64(tx)) {
				c |= 1 << k
			}
		}
		heard = append(heard, c)
		at += 19 * uint64(tx)
	}
	return heard
}

// sentences write the fields of a sentence: from after the address to before the checksum.
var sentences = map[string]func(b []byte, v *view, turn int) []byte{
	"DPT": func(b []byte, v *view, _ int) []byte { return fmt.Appendf(b, "%.1f,0.4,200", v.depth) },
	"DBT": func(b []byte, v *view, _ int) []byte {
		return fmt.Appendf(b, "%.1f,f,%.1f,M,%.1f,F", v.depth/0.3048, v.depth, v.depth/1.8288)
	},
	"GGA": func(b []byte, v *view, _ int) []byte {
		b = position(append(clock(b, v), ','), v.lat, v.lon)
		return fmt.Appendf(b, ",2,%02d,%.1f,2.4,M,51.3,M,,", v.sats, v.hdop)
	},
	"GLL": func(b []byte, v *view, _ int) []byte {
		return append(clock(append(position(b, v.lat, v.lon), ','), v), ",A,D"...)
	},
	"HDG": func(b []byte, v *view, _ int) []byte {
		b = side(fmt.Appendf(b, "%.1f,", degrees(v.magnetic())), v.devia/rad, 'E', 'W')
		return side(append(b, ','), v.varia/rad, 'E', 'W')
	},
	"HDT": func(b []byte, v *view, _ int) []byte { return fmt.Appendf(b, "%.1f,T", degrees(v.heading)) },
	"MTW": func(b []byte, v *view, _ int) []byte { return fmt.Appendf(b, "%.1f,C", v.seaT-kelv) },
	"MWD": func(b []byte, v *view, _ int) []byte {
		return fmt.Appendf(b, "%.1f,T,%.1f,M,%.1f,N,%.1f,M", degrees(v.twd), degrees(wrap(v.twd-v.varia)), v.tws/knot, v.tws)
	},
	"MWV": func(b []byte, v *view, _ int) []byte {
		return fmt.Appendf(b, "%05.1f,R,%.1f,N,A", degrees(v.awa), v.aws/knot)
	},
	"RMC": func(b []byte, v *view, _ int) []byte {
		b = position(append(clock(b, v), ",A,"...), v.lat, v.lon)
		b = fmt.Appendf(b, ",%.1f,%.1f,%s,", v.sog/knot, degrees(v.cog), v.now.UTC().Format("020106"))
		return append(side(b, v.varia/rad, 'E', 'W'), ",D,V"...)
	},
	"ROT": func(b []byte, v *view, _ int) []byte { return fmt.Appendf(b, "%.1f,A", v.rot/rad*60) },
	"RSA": func(b []byte, v *view, _ int) []byte { return fmt.Appendf(b, "%.1f,A,,V", v.rudder/rad) },
	"TXT": func(b []byte, v *view, turn int) []byte { return fmt.Appendf(b, "01,01,%02d,Simulated", turn%100) },
	"VER": func(b []byte, v *view, turn int) []byte {
		return append(b, "1,1,GP,GAN,GP1-0042,700042,Gannet GP1,3.14,B,0"...)
	},
	"VHW": func(b []byte, v *view, _ int) []byte {
		return fmt.Appendf(b, "%.1f,T,%.1f,M,%.1f,N,%.1f,K", degrees(v.heading), degrees(v.magnetic()), v.stw/knot, v.stw*3.6)
	},
	"VLW": func(b []byte, v *view, _ int) []byte { return fmt.Appendf(b, "%.1f,N,%.1f,N", v.log/1852, v.trip/1852) },
	"VTG": func(b []byte, v *view, _ int) []byte {
		return fmt.Appendf(b, "%.1f,T,%.1f,M,%.1f,N,%.1f,K,D", degrees(v.cog), degrees(wrap(v.cog-v.varia)), v.sog/knot, v.sog*3.6)
	},
	"XDR": func(b []byte, v *view, _ int) []byte {
		return fmt.Appendf(b, "P,%.4f,B,BARO,C,%.1f,C,AIR", v.pressure/1e5, v.airT-kelv)
	},
	"ZDA": func(b []byte, v *view, _ int) []byte {
		return append(clock(b, v), v.now.UTC().Format(",02,01,2006,00,00")...)
	},
}

// degrees turns radians into degrees that print below 360.0 with one decimal.
func degrees(a float64) float64 {
	d := math.Round(a/rad*10) / 10
	if d >= 360 {
		d -= 360
	}
	return d
}

func clock(b []byte, v *view) []byte { return v.now.UTC().AppendFormat(b, "150405.00") }

// side writes a signed value as its amount and a letter.
func side(b []byte, value float64, plus, minus byte) []byte {
	letter := plus
	if value < 0 {
		letter = minus
	}
	return fmt.Appendf(b, "%.1f,%c", math.Abs(value), letter)
}

// position writes ddmm.mmmm,N,dddmm.mmmm,E.
func position(b []byte, lat, lon float64) []byte {
	ns, ew := 'N', 'E'
	if lat < 0 {
		ns = 'S'
	}
	if lon < 0 {
		ew = 'W'
	}
	// In ten-thousandths of a minute, so that rounding cannot make 60 minutes.
	a, o := int64(math.Round(math.Abs(lat)*600000)), int64(math.Round(math.Abs(lon)*600000))
	return fmt.Appendf(b, "%02d%02d.%04d,%c,%03d%02d.%04d,%c", a/600000, a/10000%60, a%10000, ns, o/600000, o/10000%60, o%10000, ew)
}
