package tap

import (
	"fmt"
	"io"
	"testing"

	"go.bug.st/serial"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

// wirePort is a serial port with a talker of a certain rate at the other end: read at another rate its bits come out as noise.
type wirePort struct {
	serial.Port
	talker, rate int
	bits         []byte // one bit of the talker each
	swapped      bool   // the wires A and B are swapped
	at           float64
	left         int // reads before the end
}

func newWirePort(talker int) *wirePort {
	p := &wirePort{talker: talker, left: 2000}
	for i := range 500 {
		line := nmea0183.Append(nil, '$', fmt.Sprintf("GPRMC,0800%02d.00,A,5406.%04d,N,01048.0000,E,9.7,57.3,040526,,,A", i%60, i))
		for _, c := range line {
			p.bits = append(p.bits, 0)
			for b := range 8 {
				p.bits = append(p.bits, c>>b&1)
			}
			p.bits = append(p.bits, 1)
		}
		for range 400 {
			p.bits = append(p.bits, 1) // the line rests
		}
	}
	return p
}

func (p *wirePort) SetMode(m *serial.Mode) error {
	p.rate = m.BaudRate
	return nil
}

func (p *wirePort) ResetInputBuffer() error { return nil }

func (p *wirePort) Close() error { return nil }

func (p *wirePort) bit(at float64) byte {
	bit := p.bits[int(at)%len(p.bits)]
	if p.swapped {
		bit ^= 1
	}
	return bit
}

// Read samples the line as a receiver does: it waits for a start bit and takes the middle of each bit at its own rate.
func (p *wirePort) Read(b []byte) (int, error) {
	if p.left--; p.left < 0 {
		return 0, io.EOF
	}
	step := float64(p.talker) / float64(p.rate)
	n := min(len(b), 64)
	for i := range n {
		for p.bit(p.at) == 1 {
			p.at += step / 16
		}
		c := byte(0)
		for k := range 8 {
			c |= p.bit(p.at+step*(1.5+float64(k))) << k
		}
		b[i] = c
		p.at += step * 9.5
		for p.bit(p.at) == 0 {
			p.at += step / 16
		}
	}
	return n, nil
}

func TestBaudIsFound(t *testing.T) {
	for _, talker := range rates {
		t.Run(fmt.Sprint(talker), func(t *testing.T) {
			port := newWirePort(talker)
			src, err := openProbedLine("0183:/dev/ttyUSB9", "/dev/ttyUSB9", Options{}.withDefaults(), func(_ string, baud int) (serial.Port, error) {
				port.rate = baud
				return port, nil
			})
			if err != nil {
				t.Fatal(err)
			}
			defer src.Close()
			var handOut uint32
			var s nmea0183.Sentence
			good, noise := 0, 0
			var events [16]event.Event
			for good < 20 {
				n, err := src.Read(events[:])
				if err != nil {
					t.Fatal(err)
				}
				for _, ev := range events[:n] {
					switch ev.Kind {
					case event.KindNetwork:
						handOut = ev.Info.BitRate
					case event.KindLine:
						if _, err := nmea0183.Parse(ev.Line, &s); err == nil && s.Checksum == nmea0183.ChecksumGood {
							good++
						} else {
							noise++
						}
					case event.KindDown:
						t.Fatalf("the port ran dry at %d baud, announced %d: %d good lines, %d of noise", port.rate, handOut, good, noise)
					}
				}
			}
			if int(handOut) != talker || port.rate != talker {
				t.Errorf("announced %d, reads at %d", handOut, port.rate)
			}
		})
	}
}

// TestSwappedWiresAreFound: at whatever rate the talker sends over swapped wires, the port ends at its rate, and the line's bytes show the cause.
func TestSwappedWiresAreFound(t *testing.T) {
	for _, talker := range rates {
		t.Run(fmt.Sprint(talker), func(t *testing.T) {
			port := newWirePort(talker)
			port.swapped = true
			src, err := openProbedLine("0183:/dev/ttyUSB9", "/dev/ttyUSB9", Options{}.withDefaults(), func(_ string, baud int) (serial.Port, error) {
				port.rate = baud
				return port, nil
			})
			if err != nil {
				t.Fatal(err)
			}
			defer src.Close()
			var q nmea0183.Quality
			var announced uint32
			var events [16]event.Event
			for lines := 0; lines < 40 || int(announced) != talker; {
				n, err := src.Read(events[:])
				if err != nil {
					t.Fatal(err)
				}
				for _, ev := range events[:n] {
					switch ev.Kind {
					case event.KindNetwork:
						announced, lines, q = ev.Info.BitRate, 0, nmea0183.Quality{}
					case event.KindLine:
						q.Add(ev.Line, 0)
						lines++
					case event.KindDown:
						t.Fatalf("the port ran dry at %d baud, announced %d", port.rate, announced)
					}
				}
			}
			if v := q.Verdict(announced); int(announced) != talker || v.Condition != nmea0183.ConditionSwapped {
				t.Errorf("announced %d, verdict %v", announced, v)
			}
		})
	}
}

// TestBaudIsFollowed: a talker that is set to another rate is found again.
func TestBaudIsFollowed(t *testing.T) {
	port := newWirePort(4800)
	src, err := openProbedLine("0183:/dev/ttyUSB9", "/dev/ttyUSB9", Options{}.withDefaults(), func(_ string, baud int) (serial.Port, error) {
		port.rate = baud
		return port, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	var s nmea0183.Sentence
	var events [16]event.Event
	for _, talker := range []int{4800, 38400, 9600} {
		port.talker, port.left = talker, 2000
		var handOut uint32
		for good := 0; good < 200; { // more than is looked at before a rate is left
			n, err := src.Read(events[:])
			if err != nil {
				t.Fatal(err)
			}
			for _, ev := range events[:n] {
				switch ev.Kind {
				case event.KindNetwork:
					handOut = ev.Info.BitRate
				case event.KindLine:
					if _, err := nmea0183.Parse(ev.Line, &s); err == nil && s.Checksum == nmea0183.ChecksumGood {
						good++
					}
				case event.KindDown:
					t.Fatalf("%d baud: the port ran dry, read at %d", talker, port.rate)
				}
			}
		}
		if int(handOut) != talker || port.rate != talker {
			t.Errorf("%d baud: announced %d, reads at %d", talker, handOut, port.rate)
		}
	}
}

func FuzzJudge(f *testing.F) {
	f.Add([]byte("$GPGLL,5406.0,N,01048.0,E*00\r\n$GPGLL"), 0)
	f.Add(make([]byte, 3000), 5)
	f.Fuzz(func(t *testing.T, b []byte, at int) {
		if at < 0 || at >= len(rates) {
			return
		}
		if next, _ := judge(b, at); next < 0 || next >= len(rates) {
			t.Fatal(next)
		}
	})
}
