package tap

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"go.bug.st/serial"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

// maxLine bounds one line of a live source in bytes. A sentence has at most 82, a tag block before it about as many.
const maxLine = 512

// splitter cuts a byte stream into lines of bounded length.
type splitter struct {
	r        io.Reader
	buf      [4096]byte
	pos, end int
	since    event.Time // since when the beginning of a line waits for its end
	skipping bool
}

// next returns the next line that is already at hand. long reports one that exceeded the bound and was thrown away. The line
// aliases the buffer until fill.
func (s *splitter) next(ends string) (line []byte, ok, long bool) {
	for {
		rest := s.buf[s.pos:s.end]
		i := bytes.IndexAny(rest, ends)
		if i < 0 {
			if len(rest) <= maxLine {
				return nil, false, false
			}
			s.pos, long = s.end, !s.skipping
			s.skipping = true
			return nil, false, long
		}
		s.pos += i + 1
		switch {
		case s.skipping:
			s.skipping = false
		case i > maxLine:
			return nil, false, true
		case i > 0:
			return rest[:i], true, false
		}
	}
}

// endless is after how long a line without an end is taken for whole. At 300 baud the longest sentence takes 3 s.
const endless = 5 * time.Second

// nextLine returns the next NMEA 0183 line that is already at hand, not empty. Nothing is thrown away: noise such as
// another baud rate gives has no line ends, and Quality must see it. The line aliases the buffer until fill.
func (s *splitter) nextLine(now event.Time) (line []byte, ok bool) {
	for {
		rest := s.buf[s.pos:s.end]
		line, n := cutLine(rest)
		switch {
		case n > 0 || len(rest) == 0:
			s.since = 0
		case s.since == 0:
			s.since = now
		case now.Sub(s.since) > endless:
			line, n, s.since = rest, len(rest), 0
		}
		s.pos += n
		if n == 0 || len(line) > 0 {
			return line, n > 0
		}
	}
}

// cutLine is the first line of b and what it takes up with its end; n is 0 when the line may go on. What has no end within the bound is
// cut into pieces, before a sentence's start where there is one.
func cutLine(b []byte) (line []byte, n int) {
	head := b[:min(len(b), maxLine+1)]
	if i := bytes.IndexAny(head, "\r\n"); i >= 0 {
		return b[:i], i + 1
	}
	if len(b) <= maxLine {
		return nil, 0
	}
	if i := bytes.LastIndexAny(head[1:], "$!"); i >= 0 {
		return b[:i+1], i + 1
	}
	return b[:maxLine], maxLine
}

// fill reads again. Lines handed out are overwritten.
func (s *splitter) fill() error {
	s.end = copy(s.buf[:], s.buf[s.pos:s.end])
	s.pos = 0
	for range 100 {
		n, err := s.r.Read(s.buf[s.end:])
		s.end += n
		if n > 0 {
			return nil
		}
		if err != nil {
			return err
		}
	}
	return io.ErrNoProgress
}

// questions asks the talkers of one two-way line who they are.
type questions struct {
	asker  nmea0183.Asker
	w      io.Writer
	parsed nmea0183.Sentence
	query  []byte // the latest
}

// newQuestions is nil where nothing may be sent.
func newQuestions(w io.Writer, opts Options) *questions {
	if !opts.Transmit {
		return nil
	}
	return &questions{w: w}
}

func (q *questions) hear(line []byte, now event.Time) {
	for rest := line; rest != nil; {
		var err error
		if rest, err = nmea0183.Parse(rest, &q.parsed); err == nil {
			q.asker.Hear(&q.parsed, now)
		}
	}
}

// ask puts the query that is due and returns it without its line end; empty when none is.
func (q *questions) ask(now event.Time) ([]byte, error) {
	if q.query = q.asker.Append(q.query[:0], now); len(q.query) == 0 {
		return nil, nil
	}
	_, err := q.w.Write(q.query)
	return bytes.TrimRight(q.query, "\r\n"), err
}

// lineLink hands on the lines of a stream.
type lineLink struct {
	splitter
	c    io.Closer
	opts Options

	questions *questions // nil on a line that is only listened to
	asked     []byte     // a query that was sent and not yet reported
}

// newLineLink reads lines. Where transmitting is allowed it also asks the talkers who they are.
func newLineLink(rw io.ReadWriteCloser, opts Options) *lineLink {
	return &lineLink{splitter: splitter{r: rw}, c: rw, opts: opts, questions: newQuestions(rw, opts)}
}

// ask puts the query that is due after the lines, which the next read reports. A line that takes none is only
// listened to from then on.
func (l *lineLink) ask(events []event.Event, now event.Time) {
	for i := range events {
		l.questions.hear(events[i].Line, now)
	}
	var err error
	if l.asked, err = l.questions.ask(now); err != nil {
		l.questions, l.asked = nil, nil
	}
}

// lineSource is a line whose link asks by itself.
type lineSource struct{ *live }

func (s lineSource) Asks() bool { return s.opts.Transmit }

func oneLine(s *live, err error) (Source, error) {
	if err != nil {
		return nil, err
	}
	return lineSource{s}, nil
}

func (l *lineLink) close() error { return l.c.Close() }

func (l *lineLink) read(events []event.Event) (int, error) {
	n := 0
	if len(l.asked) > 0 {
		events[0] = event.Event{Kind: event.KindLine, Time: event.At(l.opts.Now()), Line: l.asked, Sent: true}
		l.asked = nil
		return 1, nil
	}
	for {
		at := event.At(l.opts.Now())
		for n < len(events) {
			line, ok := l.nextLine(at)
			if !ok {
				break
			}
			events[n] = event.Event{Kind: event.KindLine, Time: at, Line: line}
			n++
		}
		if n > 0 {
			if l.questions != nil {
				l.ask(events[:n], at)
			}
			return n, nil
		}
		if err := l.fill(); err != nil {
			return 0, err
		}
	}
}

// options cuts "?key=value" off a source's name.
func options(rest string, allowed ...string) (string, url.Values, error) {
	path, query, _ := strings.Cut(rest, "?")
	v, err := url.ParseQuery(query)
	if err != nil {
		return "", nil, fmt.Errorf("options %q: %w", query, err)
	}
	for key := range v {
		known := false
		for _, a := range allowed {
			known = known || a == key
		}
		if !known {
			return "", nil, fmt.Errorf("option %q is not known: use %s", key, strings.Join(allowed, ", "))
		}
	}
	return path, v, nil
}

func baudOf(v url.Values, standard int) (int, error) {
	text := v.Get("baud")
	if text == "" {
		return standard, nil
	}
	baud, err := strconv.Atoi(text)
	if err != nil || baud < 300 || baud > 4_000_000 {
		return 0, fmt.Errorf("baud %q: give a number from 300 to 4000000, 4800 for plain NMEA 0183, 38400 for AIS", text)
	}
	return baud, nil
}

func openSerialLine(rest string, opts Options) (Source, error) {
	spec := "0183:" + rest
	path, v, err := options(rest, "baud")
	if err == nil && path == "" {
		err = fmt.Errorf("no serial port is named: use 0183:/dev/ttyUSB0?baud=4800")
	}
	var baud int
	if err == nil {
		baud, err = baudOf(v, 4800)
	}
	if err != nil {
		return nil, fmt.Errorf("open %q: %w", spec, wrong{err})
	}
	if v.Get("baud") == "" {
		return openProbedLine(spec, path, opts, openPort)
	}
	info := event.Network{ID: filepath.Base(path), Kind: event.NMEA0183, BitRate: uint32(baud)}
	return oneLine(newLive(opts, func(context.Context) (link, event.Network, error) {
		port, err := openPort(path, baud)
		if err != nil {
			return nil, info, fmt.Errorf("open %q: %w", spec, err)
		}
		return newLineLink(port, opts), info, nil
	}))
}

// one makes a Source of a live, keeping nil an untyped nil.
func one(s *live, err error) (Source, error) {
	if err != nil {
		return nil, err
	}
	return s, nil
}

// openPort opens a serial port, 8N1; its error includes how to repair the likely cause.
func openPort(path string, baud int) (serial.Port, error) {
	port, err := serial.Open(path, &serial.Mode{BaudRate: baud})
	if err == nil {
		return port, nil
	}
	var code serial.PortErrorCode = -1
	var pe *serial.PortError
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	hint := "check the path and the cable"
	switch {
	case code == serial.PortNotFound || errors.Is(err, os.ErrNotExist):
		hint = "connect the adapter and look for its name with ls /dev/tty*"
	case code == serial.PermissionDenied || errors.Is(err, os.ErrPermission):
		hint = "join the group that owns the port, often dialout"
	case code == serial.PortBusy:
		hint = "stop the other program that uses the port"
	case code == serial.InvalidSpeed:
		hint = "give a speed that the port can run"
	case code == serial.InvalidSerialPort:
		hint = "name a serial port; a capture file is opened by its path alone"
	}
	return nil, fmt.Errorf("%s: %s", strings.ToLower(err.Error()), hint)
}

func openTCPLine(rest string, opts Options) (Source, error) {
	host, port, err := net.SplitHostPort(rest)
	if err != nil || !goodPort(port) {
		return nil, wrong{fmt.Errorf("open %q: the address is not host:port: use for instance 0183+tcp:192.168.1.20:10110, or 0183+tcp::10110 to be connected to", "0183+tcp:"+rest)}
	}
	if host == "" {
		return listenTCPLine(port, opts)
	}
	dialer := net.Dialer{Timeout: tcpTimeout}
	info := event.Network{ID: rest, Kind: event.NMEA0183}
	return oneLine(newLive(opts, func(ctx context.Context) (link, event.Network, error) {
		c, err := dialer.DialContext(ctx, "tcp", rest)
		if err != nil {
			return nil, info, fmt.Errorf("open %q: %w: check that the other end is switched on and serves that port", "0183+tcp:"+rest, netCause(err))
		}
		return newLineLink(c, opts), info, nil
	}))
}

func goodPort(s string) bool {
	n, err := strconv.Atoi(s)
	return err == nil && n > 0 && n < 65536
}
