package tap

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"time"

	"go.bug.st/serial"
	"go.einride.tech/can"

	"muster/internal/event"
)

// slcanLink uses the ASCII protocol of serial CAN adapters (Lawicel's; the kernel's slcan driver is its best-known
// user).
type slcanLink struct {
	splitter
	port serial.Port
	opts Options
	mu   sync.Mutex // one command at a time
}

func openSLCAN(rest string, opts Options) (Source, error) {
	spec := "serial:" + rest
	path, v, err := options(rest, "baud")
	if err == nil && path == "" {
		err = errors.New("no serial port is named: use serial:/dev/ttyACM0")
	}
	var baud int
	if err == nil {
		baud, err = baudOf(v, 115200)
	}
	if err == nil && slcanRate(opts.BitRate) == 0 {
		err = fmt.Errorf("bit rate %d: the adapter protocol has 10000, 20000, 50000, 100000, 125000, 250000, 500000, 800000 and 1000000", opts.BitRate)
	}
	if err != nil {
		return nil, fmt.Errorf("open %q: %w", spec, wrong{err})
	}
	info := event.Network{ID: filepath.Base(path), Kind: event.NMEA2000, BitRate: opts.BitRate}
	s, err := newLive(opts, func(context.Context) (link, event.Network, error) {
		port, err := openPort(path, baud)
		if err != nil {
			return nil, info, fmt.Errorf("open %q: %w", spec, err)
		}
		l := &slcanLink{splitter: splitter{r: port}, port: port, opts: opts}
		listen, err := l.start()
		if err != nil {
			port.Close()
			return nil, info, fmt.Errorf("open %q: %w", spec, err)
		}
		info := info
		info.Listen = listen
		return l, info, nil
	})
	if err != nil {
		return nil, err
	}
	return transmitter{s}, nil
}

// slcanRate is the digit of the S command, 0 when there is none. S7 means 800 kbit/s (kernel slcan driver).
func slcanRate(bitRate uint32) byte {
	for i, r := range [...]uint32{10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000} {
		if r == bitRate {
			return '0' + byte(i)
		}
	}
	return 0
}

// answerTime is how long an adapter may take to answer a command. Some never do, and that counts as consent.
const answerTime = 150 * time.Millisecond

// start sets the adapter up: close, bit rate, then listen-only unless transmitting is allowed.
func (l *slcanLink) start() (listen bool, err error) {
	if err := l.port.SetReadTimeout(answerTime); err != nil {
		return false, err
	}
	if _, err := l.command("C"); err != nil { // an adapter that is closed already refuses: no matter
		return false, err
	}
	if _, err := l.command("S" + string(slcanRate(l.opts.BitRate))); err != nil { // one that has a fixed rate refuses too
		return false, err
	}
	listen = !l.opts.Transmit
	if listen {
		refused, err := l.command("L")
		if err != nil {
			return false, err
		}
		if refused && !l.opts.Acknowledge {
			return false, errors.New("the adapter has no listen-only mode: use one that has, or allow it to acknowledge frames")
		}
		listen = !refused
	}
	if !listen {
		if refused, err := l.command("O"); err != nil {
			return false, err
		} else if refused {
			return false, errors.New("the adapter refuses to open the bus: disconnect it, connect it again, and stop other programs that use it")
		}
	}
	return listen, l.port.SetReadTimeout(serial.NoTimeout)
}

// command sends one command and reads up to its answer. What else arrives meanwhile is dropped: nothing is being listened to yet.
func (l *slcanLink) command(c string) (refused bool, err error) {
	if err := l.write([]byte(c + "\r")); err != nil {
		return false, err
	}
	var b [64]byte
	for until := time.Now().Add(4 * answerTime); time.Now().Before(until); {
		n, err := l.port.Read(b[:])
		if err != nil || n == 0 {
			return false, err
		}
		switch b[n-1] {
		case '\a':
			return true, nil
		case '\r':
			return false, nil
		}
	}
	return false, nil
}

func (l *slcanLink) write(b []byte) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	for len(b) > 0 {
		n, err := l.port.Write(b)
		if err != nil {
			return err
		}
		b = b[n:]
	}
	return nil
}

func (l *slcanLink) read(events []event.Event) (int, error) {
	n := 0
	for {
		at := event.At(l.opts.Now())
		for n < len(events) {
			line, ok, long := l.next("\r\a\n")
			if !ok && !long {
				break
			}
			events[n] = event.Event{Time: at}
			if long {
				events[n].Kind, events[n].Count, events[n].Line = event.KindDamaged, 1, damageLongLine
			} else if !parseSLCAN(line, &events[n]) {
				continue
			}
			n++
		}
		if n > 0 {
			return n, nil
		}
		if err := l.fill(); err != nil {
			return 0, err
		}
	}
}

func (l *slcanLink) send(f can.Frame) error {
	return l.write(appendSLCAN(nil, &f))
}

func appendSLCAN(b []byte, f *can.Frame) []byte {
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
		b = fmt.Appendf(b, "%X", f.Data[:f.Length])
	}
	return append(b, '\r')
}

// close takes the adapter off the bus, if it still takes commands, and releases the port.
func (l *slcanLink) close() error {
	_ = l.write([]byte("C\r"))
	return l.port.Close()
}

// parseSLCAN fills e from one line; false when the line is not about the bus (an answer, an empty line).
func parseSLCAN(line []byte, e *event.Event) bool {
	ok := false
	switch line[0] {
	case 't', 'r':
		ok = slcanFrame(line, 3, e)
	case 'T', 'R':
		ok = slcanFrame(line, 8, e)
	case 'd', 'D', 'b', 'B':
		e.Kind, e.Count, ok = event.KindOversize, 1, len(line) >= 5
	case 's': // state: a letter and the counters, as the kernel's driver reads it
		if len(line) == 8 {
			for state, letter := range "awpb" {
				if line[1] == byte(letter) {
					e.Kind, e.Count, ok = event.KindController, uint32(state), true
				}
			}
		}
	case 'e':
		ok = slcanErrors(line, e)
	case 'z', 'Z', 'F', 'V', 'v', 'N':
		return false // answers
	}
	if !ok {
		*e = event.Event{Time: e.Time, Kind: event.KindDamaged, Count: 1, Line: damageAdapter}
	}
	return true
}

// slcanFrame reads "tIIIdDD…", "TIIIIIIIIdDD…" and the remote forms, each with or without a time stamp of four digits behind.
func slcanFrame(line []byte, digits int, e *event.Event) bool {
	if len(line) < 1+digits {
		return false
	}
	id, ok := hexValue(line[1 : 1+digits])
	if !ok || digits == 3 && id > can.MaxID || id > can.MaxExtendedID {
		return false
	}
	f := can.Frame{ID: id, IsExtended: digits == 8, IsRemote: line[0]&^0x20 == 'R'}
	rest := line[1+digits:]
	switch {
	case len(rest) > 0 && rest[0] >= '0' && rest[0] <= '8':
		f.Length = rest[0] - '0'
		rest = rest[1:]
	case !f.IsRemote || len(rest) > 0: // only a remote frame may lack its length
		return false
	}
	if !f.IsRemote {
		if len(rest) < 2*int(f.Length) {
			return false
		}
		for i := range f.Data[:f.Length] {
			v, ok := hexValue(rest[2*i : 2*i+2])
			if !ok {
				return false
			}
			f.Data[i] = byte(v)
		}
		rest = rest[2*f.Length:]
	}
	if len(rest) != 0 && len(rest) != 4 {
		return false
	}
	if _, ok := hexValue(rest); !ok && len(rest) > 0 {
		return false
	}
	e.Kind, e.Frame = event.KindFrame, f
	return true
}

// slcanErrors turns "e", a count and so many letters into one error frame, as the kernel's driver does: classes and details of
// linux/can/error.h.
func slcanErrors(line []byte, e *event.Event) bool {
	if len(line) < 3 || line[1] < '1' || line[1] > '9' || len(line) != 2+int(line[1]-'0') {
		return false
	}
	f := can.Frame{Length: 8}
	for _, c := range line[2:] {
		switch c {
		case 'a': // no acknowledgement
			f.ID |= 0x20 | 0x80
		case 'b': // cannot send a dominant bit
			f.ID |= 0x08 | 0x80
			f.Data[2] |= 0x08
		case 'B': // cannot send a recessive bit
			f.ID |= 0x08 | 0x80
			f.Data[2] |= 0x10
		case 'c': // CRC
			f.ID |= 0x08 | 0x80
			f.Data[3] = 0x08
		case 'f': // form
			f.ID |= 0x08 | 0x80
			f.Data[2] |= 0x02
		case 's': // stuffing
			f.ID |= 0x08 | 0x80
			f.Data[2] |= 0x04
		case 'o': // receive overflow
			f.ID |= 0x04
			f.Data[1] |= 0x01
		case 'O': // transmit overflow
			f.ID |= 0x04
			f.Data[1] |= 0x02
		default:
			return false
		}
	}
	e.Kind, e.Frame = event.KindErrorFrame, f
	return true
}

func hexValue(s []byte) (v uint32, ok bool) {
	for _, c := range s {
		switch {
		case c >= '0' && c <= '9':
			v = v<<4 | uint32(c-'0')
		case c >= 'A' && c <= 'F':
			v = v<<4 | uint32(c-'A'+10)
		case c >= 'a' && c <= 'f':
			v = v<<4 | uint32(c-'a'+10)
		default:
			return 0, false
		}
	}
	return v, len(s) > 0
}
