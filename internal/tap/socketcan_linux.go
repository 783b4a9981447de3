package tap

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"go.einride.tech/can"
	"golang.org/x/sys/unix"

	"muster/internal/event"
)

// stateEvery is how often the controller's state and losses are asked for: the kernel reports of no change by itself.
const stateEvery = time.Second

// canLink is a raw CAN socket on one interface.
type canLink struct {
	*receiver
	opts   Options
	state  *linkState
	queue  []event.Event // state events waiting to be handed out
	known  canState
	wasOne bool // known holds an answer
	frames int  // since the latest pause
	pause  time.Duration
	latest event.Time // of what was handed out
	empty  bool       // the latest read left nothing waiting
}

// canSource is a CAN interface of the kernel.
type canSource struct{ transmitter }

// Patient implements Patient.
func (canSource) Patient() bool { return true }

func openSocketCAN(name string, opts Options) (Source, error) {
	spec := "socketcan:" + name
	s, err := newLive(opts, func(context.Context) (link, event.Network, error) {
		l, info, err := dialCAN(name, opts)
		if err != nil {
			return nil, info, fmt.Errorf("open %q: %w", spec, err)
		}
		return l, info, nil
	})
	if err != nil {
		return nil, err
	}
	return canSource{transmitter{s}}, nil
}

// checkInterface reports what is wrong with an interface before a socket does so in fewer words.
func checkInterface(name string) (*net.Interface, error) {
	ifi, err := net.InterfaceByName(name)
	if err != nil {
		return nil, fmt.Errorf("%w: connect the adapter and look for its name with ip link, or give a capture file", ErrNoInterface)
	}
	if ifi.Flags&net.FlagUp == 0 {
		return nil, fmt.Errorf("the interface is down: bring it up with ip link set %s up type can bitrate 250000 listen-only on", name)
	}
	return ifi, nil
}

func dialCAN(name string, opts Options) (_ *canLink, info event.Network, err error) {
	info = event.Network{ID: name, Kind: event.NMEA2000}
	ifi, err := checkInterface(name)
	if err != nil {
		return nil, info, err
	}
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	switch {
	case errors.Is(err, unix.EAFNOSUPPORT) || errors.Is(err, unix.EPROTONOSUPPORT):
		return nil, info, errors.New("this kernel has no CAN: load it with modprobe can-raw, or use a serial adapter as serial:/dev/ttyACM0")
	case err != nil:
		return nil, info, fmt.Errorf("socket: %w", err)
	}
	const allErrors = 0x1FFFFFFF
	if err := unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_ERR_FILTER, allErrors); err != nil {
		unix.Close(fd)
		return nil, info, fmt.Errorf("error frames: %w", err)
	}
	// FD and XL frames are no part of NMEA 2000, but must be seen to be reported. Old kernels support neither.
	const xlFrames = 7 // linux/can/raw.h
	_ = unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FD_FRAMES, 1)
	_ = unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, xlFrames, 1)
	if opts.Transmit { // what we send belongs to the picture too
		_ = unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_RECV_OWN_MSGS, 1)
	}
	r, err := newReceiver(fd, name, opts.ReceiveBuffer)
	if err != nil {
		return nil, info, err
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: ifi.Index}); err != nil {
		r.file.Close()
		if errors.Is(err, unix.ENODEV) {
			return nil, info, fmt.Errorf("bind: the interface does not carry CAN: choose one that ip -details link shows as can or vcan")
		}
		return nil, info, fmt.Errorf("bind: %w", err)
	}
	info.Queue = r.queue
	l := &canLink{receiver: r, opts: opts}
	if l.state, err = dialState(ifi.Index); err != nil {
		l.state = nil // no state to show, but frames all the same
	}
	l.ask()
	if l.wasOne {
		info.BitRate, info.Listen, info.Timing = l.known.bitRate, l.known.listen, l.known.timing
	}
	return l, info, nil
}

// ask reads the controller's state and queues what has changed.
func (l *canLink) ask() {
	if l.state == nil {
		return
	}
	_ = l.file.SetReadDeadline(time.Now().Add(stateEvery))
	s, ok := l.state.read()
	if !ok {
		return
	}
	at := event.At(l.opts.Now())
	if s.hasState && (!l.wasOne || s.state != l.known.state) {
		l.queue = append(l.queue, event.Event{Kind: event.KindController, Time: at, Count: s.state})
	}
	if s.bitRate != 0 && (!l.wasOne || s.bitRate != l.known.bitRate) {
		l.queue = append(l.queue, event.Event{Kind: event.KindBitRate, Time: at, Count: s.bitRate})
	}
	if l.wasOne && s.lost > l.known.lost {
		l.queue = append(l.queue, event.Event{Kind: event.KindDropped, Time: at, Count: uint32(s.lost - l.known.lost)})
	}
	l.known, l.wasOne = s, true
}

func (l *canLink) read(events []event.Event) (int, error) {
	for {
		if n := l.take(events, l.opts.Now); n > 0 {
			l.latest = max(l.latest, events[n-1].Time)
			return n, nil
		}
		if n := l.handOut(events); n > 0 {
			return n, nil
		}
		if l.drained() {
			l.gather()
		}
		err := l.wait(len(events), len(l.queue) > 0)
		l.frames += l.got
		l.empty = err == nil && l.got < l.want
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			l.ask()
		case err != nil:
			return 0, err
		}
	}
}

// handOut hands out what was learnt of the interface, once the frames that waited then are through: theirs are the earlier times.
func (l *canLink) handOut(events []event.Event) int {
	if len(l.queue) == 0 || !l.empty && l.latest < l.queue[0].Time {
		return 0
	}
	n := copy(events, l.queue)
	l.queue = append(l.queue[:0], l.queue[n:]...)
	for i := range events[:n] {
		l.latest = max(l.latest, events[i].Time)
		events[i].Time = l.latest
	}
	return n
}

// gather lets frames come, but never so many that the kernel's room for them gets short.
func (l *canLink) gather() {
	few := max(batch, l.room/16)
	switch {
	case l.frames > 2*few:
		l.pause = max(l.pause/2, time.Millisecond)
	case l.frames < few:
		l.pause = max(2*l.pause, time.Millisecond)
	}
	l.pause, l.frames = min(l.pause, l.opts.Gather), 0
	time.Sleep(l.pause)
}

// take turns messages at hand into events, as many as fit. A loss goes before the frame that came with it.
func (r *receiver) take(events []event.Event, now func() time.Time) int {
	n := 0
	for n < len(events) && r.next < r.got {
		m := r.message(r.next)
		if m.time == 0 {
			m.time = event.At(now())
		}
		if back := r.stamp.Sub(m.time); back > 0 && back < late {
			m.time = r.stamp
		}
		r.stamp = m.time
		e := &events[n]
		if m.lost != 0 && m.lost != r.lost {
			*e = event.Event{Kind: event.KindDropped, Time: m.time, Count: m.lost - r.lost}
			r.lost = m.lost
			n++
			continue
		}
		*e = event.Event{Time: m.time, Sent: m.flags&unix.MSG_CONFIRM != 0}
		const xlFlag = 0x80 // struct canxl_frame's flags, where the others have their length
		switch {
		case len(m.data) == frameSize && m.data[4]&xlFlag == 0:
			takeFrame(binary.NativeEndian.Uint32(m.data), m.data, e)
		case len(m.data) > frameSize || len(m.data) > 4 && m.data[4]&xlFlag != 0:
			e.Kind, e.Count = event.KindOversize, 1
		default:
			e.Kind, e.Count, e.Line = event.KindDamaged, 1, damageFrame
		}
		r.next++
		n++
	}
	return n
}

func (l *canLink) send(f can.Frame) error {
	var b [frameSize]byte
	binary.NativeEndian.PutUint32(b[:], frameID(&f))
	b[4] = f.Length
	copy(b[8:], f.Data[:f.Length])
	_, err := l.file.Write(b[:])
	if errors.Is(err, unix.ENOBUFS) {
		return errors.New("the interface's transmit queue is full: no device on the bus acknowledges, or the bus is overloaded")
	}
	return err
}

func (l *canLink) close() error {
	err := l.file.Close()
	if l.state != nil {
		err = errors.Join(err, l.state.close())
	}
	return err
}
