package tap

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"time"

	"go.einride.tech/can"
	"golang.org/x/net/ipv4"

	"muster/internal/event"
)

const (
	tcpTimeout  = 5 * time.Second
	maxDatagram = 64 << 10
)

// Identifier bits as SocketCAN lays them (linux/can.h); the UDP form carries them too, little-endian.
const (
	flagExtended = 0x80000000
	flagRemote   = 0x40000000
	flagError    = 0x20000000
	frameSize    = 16
)

// takeFrame reads a struct can_frame whose identifier word is id. e must be zero but for time and network.
func takeFrame(id uint32, b []byte, e *event.Event) {
	n := b[4]
	switch {
	case n > 8, id&(flagExtended|flagError) == 0 && id&0x1FFFFFFF > 0x7FF:
		e.Kind, e.Count, e.Line = event.KindDamaged, 1, damageFrame
		return
	case id&flagError != 0:
		e.Kind, e.Frame.ID = event.KindErrorFrame, id&0x1FFFFFFF
	default:
		e.Kind, e.Frame.ID = event.KindFrame, id&0x1FFFFFFF
		e.Frame.IsExtended = id&flagExtended != 0
		e.Frame.IsRemote = id&flagRemote != 0
	}
	e.Frame.Length = n
	if !e.Frame.IsRemote {
		copy(e.Frame.Data[:n], b[8:8+n])
	}
}

// frameID is the identifier word of a frame to send.
func frameID(f *can.Frame) uint32 {
	id := f.ID
	if f.IsExtended {
		id |= flagExtended
	}
	if f.IsRemote {
		id |= flagRemote
	}
	return id
}

// udpIn is a UDP socket to listen on, with the kernel's count of the datagrams that it had no room for.
type udpIn struct {
	*net.UDPConn
	control    [64]byte
	lost       uint32 // the kernel's count so far
	unreported uint32
}

func newUDPIn(c *net.UDPConn, buffer int) udpIn {
	_ = c.SetReadBuffer(buffer) // as much as the system grants
	countLosses(c)
	return udpIn{UDPConn: c}
}

func (u *udpIn) receive(b []byte) (n int, from netip.AddrPort, err error) {
	n, c, _, from, err := u.ReadMsgUDPAddrPort(b, u.control[:])
	if lost := lossesIn(u.control[:c]); lost != 0 {
		u.unreported += lost - u.lost
		u.lost = lost
	}
	return n, from, err
}

// handOut hands out a loss that was not reported yet. A datagram counts as one frame or line, which it mostly is.
func (u *udpIn) handOut(events []event.Event, at event.Time) int {
	if u.unreported == 0 {
		return 0
	}
	events[0] = event.Event{Kind: event.KindDropped, Time: at, Count: u.unreported}
	u.unreported = 0
	return 1
}

// udpLink carries frames of 16 bytes in datagrams: identifier little-endian, length, three bytes, data.
type udpLink struct {
	in    udpIn
	out   *net.UDPConn   // nil: listens only
	self  uint16         // port that out sends from
	group netip.AddrPort // where out sends to; in is bound to the port alone
	mine  []netip.Addr   // addresses of this host
	opts  Options
	buf   [maxDatagram]byte
	rest  []byte
	at    event.Time
	sent  bool
}

func openUDP(rest string, opts Options) (Source, error) {
	spec := "udp:" + rest
	address, v, err := options(rest, "if")
	if err != nil {
		return nil, fmt.Errorf("open %q: %w", spec, wrong{err})
	}
	group, err := netip.ParseAddrPort(address)
	if err != nil || !group.Addr().Is4() || group.Port() == 0 {
		return nil, wrong{fmt.Errorf("open %q: the address is not an IPv4 group and port: use for instance udp:239.74.163.2:5000", spec)}
	}
	s, err := newLive(opts, func(context.Context) (link, event.Network, error) {
		l, err := dialUDP(group, v.Get("if"), opts)
		if err != nil {
			return nil, event.Network{}, fmt.Errorf("open %q: %w: check the network interface and that the port is free", spec, netCause(err))
		}
		return l, event.Network{ID: "udp:" + address, Kind: event.NMEA2000}, nil
	})
	if err != nil {
		return nil, err
	}
	return transmitter{s}, nil
}

func dialUDP(group netip.AddrPort, name string, opts Options) (_ *udpLink, err error) {
	l := &udpLink{opts: opts, group: group}
	addr := net.UDPAddrFromAddrPort(group)
	var ifi *net.Interface
	var in *net.UDPConn
	if group.Addr().IsMulticast() {
		if ifi, err = multicastInterface(name); err != nil {
			return nil, err
		}
		in, err = net.ListenMulticastUDP("udp4", ifi, addr)
	} else {
		in, err = net.ListenUDP("udp4", addr)
	}
	if err != nil {
		return nil, err
	}
	l.in = newUDPIn(in, opts.ReceiveBuffer)
	if !opts.Transmit {
		return l, nil
	}
	if ifi == nil {
		l.in.Close()
		return nil, errors.New("sending needs a multicast group (224.0.0.0 to 239.255.255.255)")
	}
	if l.out, err = net.ListenUDP("udp4", nil); err == nil {
		p := ipv4.NewPacketConn(l.out)
		if err = p.SetMulticastInterface(ifi); err == nil {
			err = p.SetMulticastLoopback(true)
		}
		l.self = uint16(l.out.LocalAddr().(*net.UDPAddr).Port)
	}
	if err != nil {
		l.close()
		return nil, err
	}
	if addrs, err := net.InterfaceAddrs(); err == nil {
		for _, a := range addrs {
			if p, err := netip.ParsePrefix(a.String()); err == nil {
				l.mine = append(l.mine, p.Addr())
			}
		}
	}
	return l, nil
}

// multicastInterface is the named one, or the first that is up, not loopback and has an IPv4 address, or loopback.
func multicastInterface(name string) (*net.Interface, error) {
	if name != "" {
		return net.InterfaceByName(name)
	}
	all, err := net.Interfaces()
	if err != nil {
		return nil, err
	}
	var loopback *net.Interface
	for i := range all {
		ifi := &all[i]
		if ifi.Flags&net.FlagUp == 0 {
			continue
		}
		if ifi.Flags&net.FlagLoopback != 0 {
			loopback = ifi
			continue
		}
		addrs, _ := ifi.Addrs()
		for _, a := range addrs {
			if p, err := netip.ParsePrefix(a.String()); err == nil && p.Addr().Is4() && ifi.Flags&net.FlagMulticast != 0 {
				return ifi, nil
			}
		}
	}
	if loopback == nil {
		return nil, errors.New("no network interface is up")
	}
	return loopback, nil
}

func (l *udpLink) read(events []event.Event) (int, error) {
	for len(l.rest) == 0 {
		if n := l.in.handOut(events, l.at); n > 0 {
			return n, nil
		}
		n, from, err := l.in.receive(l.buf[:])
		if err != nil {
			return 0, err
		}
		l.at = event.At(l.opts.Now())
		l.sent = l.out != nil && from.Port() == l.self && l.isMine(from.Addr().Unmap())
		if n == 0 || n%frameSize != 0 {
			events[0] = event.Event{Kind: event.KindDamaged, Time: l.at, Count: 1, Line: damageDatagram}
			return 1, nil
		}
		l.rest = l.buf[:n]
	}
	n := 0
	for n < len(events) && len(l.rest) > 0 {
		events[n] = event.Event{Time: l.at, Sent: l.sent}
		takeFrame(binary.LittleEndian.Uint32(l.rest), l.rest, &events[n])
		l.rest = l.rest[frameSize:]
		n++
	}
	return n, nil
}

func (l *udpLink) isMine(a netip.Addr) bool {
	for _, m := range l.mine {
		if a == m {
			return true
		}
	}
	return false
}

func (l *udpLink) send(f can.Frame) error {
	var b [frameSize]byte
	binary.LittleEndian.PutUint32(b[:], frameID(&f))
	b[4] = f.Length
	copy(b[8:], f.Data[:f.Length])
	_, err := l.out.WriteToUDPAddrPort(b[:], l.group)
	return err
}

func (l *udpLink) close() error {
	var err error
	if l.out != nil {
		err = l.out.Close()
	}
	return errors.Join(err, l.in.Close())
}

// udpLineLink hands on the lines of datagrams. A datagram's end ends a line too.
type udpLineLink struct {
	c    udpIn
	opts Options
	buf  [maxDatagram]byte
	rest []byte
	at   event.Time
}

func openUDPLine(rest string, opts Options) (Source, error) {
	host, port, err := net.SplitHostPort(rest)
	if err != nil || !goodPort(port) {
		return nil, wrong{fmt.Errorf("open %q: the address is not [host]:port: use for instance 0183+udp::10110", "0183+udp:"+rest)}
	}
	addr, err := net.ResolveUDPAddr("udp", rest)
	if err != nil {
		return nil, fmt.Errorf("open %q: %w: give an address of this computer, or none", "0183+udp:"+rest, netCause(err))
	}
	id := "udp:" + rest
	if host == "" {
		id = "udp:" + port
	}
	return one(newLive(opts, func(context.Context) (link, event.Network, error) {
		var c *net.UDPConn
		var err error
		if addr.IP != nil && addr.IP.IsMulticast() {
			c, err = net.ListenMulticastUDP("udp", nil, addr)
		} else {
			c, err = net.ListenUDP("udp", addr)
		}
		if err != nil {
			return nil, event.Network{}, fmt.Errorf("open %q: %w: stop the other program that uses the port, or choose another", "0183+udp:"+rest, netCause(err))
		}
		return &udpLineLink{c: newUDPIn(c, opts.ReceiveBuffer), opts: opts}, event.Network{ID: id, Kind: event.NMEA0183}, nil
	}))
}

func (l *udpLineLink) close() error { return l.c.Close() }

func (l *udpLineLink) read(events []event.Event) (int, error) {
	n := 0
	for n == 0 {
		if len(l.rest) == 0 {
			if k := l.c.handOut(events, l.at); k > 0 {
				return k, nil
			}
			k, _, err := l.c.receive(l.buf[:])
			if err != nil {
				return 0, err
			}
			l.rest, l.at = l.buf[:k], event.At(l.opts.Now())
		}
		for n < len(events) && len(l.rest) > 0 {
			line, used := cutLine(l.rest)
			if used == 0 {
				line, used = l.rest, len(l.rest)
			}
			l.rest = l.rest[used:]
			if len(line) > 0 {
				events[n] = event.Event{Kind: event.KindLine, Time: l.at, Line: line}
				n++
			}
		}
	}
	return n, nil
}

// netCause takes the operation and address off a network error, which our own text names already.
func netCause(err error) error {
	var op *net.OpError
	if errors.As(err, &op) {
		err = op.Err
	}
	if se, ok := errors.AsType[interface {
		error
		Timeout() bool
	}](err); ok && se.Timeout() {
		return errors.New("no answer")
	}
	return err
}
