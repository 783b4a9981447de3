package tap

import (
	"encoding/binary"
	"fmt"
	"os"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"muster/internal/event"
)

const (
	batch       = 192 // messages a system call: more than come on a full bus while frames gather
	messageSize = 72  // struct canfd_frame; a longer one is cut, which its flags still show
	controlSize = 64  // time stamp and loss count
)

// frameCost is what a waiting CAN frame takes of the kernel's account in bytes, measured on Linux 6.1.
const frameCost = 768

// late is how much later than it came a message may be stamped. The kernel begins to stamp a moment after it was asked to; what came before
// it stamps when it is read (net/socket.c, __sock_recv_timestamp), so that what came next seems earlier. Messages come in their order.
const late = time.Second

// receiver takes batches of datagrams off a socket with the kernel's time stamps, loss counts and flags. All its memory is its own
// and lasts; a batch allocates nothing. The messages are not bound to CAN, so the same path is tested on loopback UDP.
type receiver struct {
	file    *os.File
	conn    syscall.RawConn
	headers [batch]unix.Mmsghdr
	vectors [batch]unix.Iovec
	data    [batch][messageSize]byte
	control [batch][controlSize]byte
	queue   int // bytes that the kernel lets wait, where it allows fewer than were asked for; 0 otherwise
	room    int // frames of CAN that it lets wait, about
	want    int
	look    bool // do not wait
	got     int
	errno   syscall.Errno
	pull    func(fd uintptr) bool // receive, bound once
	next    int                   // first message not handed out
	lost    uint32                // the kernel's count of losses so far
	stamp   event.Time            // of the latest message handed out
}

// newReceiver switches time stamps and loss counts on and takes fd over, which must not block. It closes fd on error.
func newReceiver(fd int, name string, buffer int) (*receiver, error) {
	fail := func(what string, err error) (*receiver, error) {
		unix.Close(fd)
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	// The new option carries 64-bit times on 32-bit systems; kernels before 5.1 have only the old one.
	if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_TIMESTAMPNS_NEW, 1) != nil {
		if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_TIMESTAMPNS_OLD, 1); err != nil {
			return fail("time stamps", err)
		}
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1); err != nil {
		return fail("loss count", err)
	}
	// Forcing passes the system's limit and needs a privilege; without it take what is granted.
	if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, buffer) != nil {
		_ = unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, buffer)
	}
	r := &receiver{file: os.NewFile(uintptr(fd), name)}
	granted, err := unix.GetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF)
	r.room = granted / frameCost
	if granted /= 2; err == nil && granted < buffer { // it returns double what it was set to, see socket(7)
		r.queue = granted
	}
	if r.conn, err = r.file.SyscallConn(); err != nil {
		r.file.Close()
		return nil, err
	}
	for i := range r.headers {
		r.vectors[i].Base = &r.data[i][0]
		r.vectors[i].SetLen(messageSize)
		h := &r.headers[i].Hdr
		h.Iov = &r.vectors[i]
		h.SetIovlen(1)
		h.Control = &r.control[i][0]
	}
	r.pull = r.receive
	return r, nil
}

// receive runs inside SyscallConn().Read; false waits until there is something to read.
func (r *receiver) receive(fd uintptr) bool {
	for i := range r.headers[:r.want] {
		r.headers[i].Hdr.SetControllen(controlSize)
		r.headers[i].Hdr.Flags = 0
	}
	for {
		n, _, errno := unix.RawSyscall6(unix.SYS_RECVMMSG, fd, uintptr(unsafe.Pointer(&r.headers[0])), uintptr(r.want), unix.MSG_DONTWAIT, 0, 0)
		switch errno {
		case unix.EINTR:
			continue
		case unix.EAGAIN:
			return r.look
		}
		r.got, r.errno = int(n), errno
		return true
	}
}

// wait fills the batch with up to want messages. It blocks until there is one, but not when look is true.
func (r *receiver) wait(want int, look bool) error {
	r.next, r.got, r.errno, r.want, r.look = 0, 0, 0, min(max(want, 1), batch), look
	if err := r.conn.Read(r.pull); err != nil {
		return err
	}
	if r.errno != 0 {
		r.got = 0
		return r.errno
	}
	return nil
}

// drained reports whether the latest batch took everything that was there.
func (r *receiver) drained() bool { return r.got > 0 && r.got < r.want }

// message is one received datagram; data aliases the receiver's memory until the next wait.
type message struct {
	data  []byte
	time  event.Time // 0: the kernel gave none
	lost  uint32     // cumulative; 0: the kernel reports nothing while nothing is lost
	flags int
}

func (r *receiver) message(i int) message {
	h := &r.headers[i]
	m := message{data: r.data[i][:min(int(h.Len), messageSize)], flags: int(h.Hdr.Flags)}
	m.time, m.lost = parseControl(r.control[i][:min(int(h.Hdr.Controllen), controlSize)])
	return m
}

// countLosses makes the kernel report, with what it hands over, how much it had no room for.
func countLosses(c syscall.Conn) {
	if raw, err := c.SyscallConn(); err == nil {
		_ = raw.Control(func(fd uintptr) { _ = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1) })
	}
}

// lossesIn is that count since the socket was opened; 0 while nothing is lost.
func lossesIn(control []byte) uint32 {
	_, lost := parseControl(control)
	return lost
}

// parseControl reads the control messages by hand: the library's way allocates.
func parseControl(b []byte) (at event.Time, lost uint32) {
	const head = unix.SizeofCmsghdr
	order := binary.NativeEndian
	for len(b) >= head {
		var size uint64
		if unsafe.Sizeof(uintptr(0)) == 8 {
			size = order.Uint64(b)
		} else {
			size = uint64(order.Uint32(b))
		}
		level, kind := order.Uint32(b[head-8:]), order.Uint32(b[head-4:])
		if size < head || size > uint64(len(b)) {
			return at, lost
		}
		v := b[unix.CmsgLen(0):max(size, uint64(unix.CmsgLen(0)))]
		switch {
		case level != unix.SOL_SOCKET:
		case kind == unix.SO_RXQ_OVFL && len(v) >= 4:
			lost = order.Uint32(v)
		case (kind == unix.SO_TIMESTAMPNS_NEW || kind == unix.SO_TIMESTAMPNS_OLD) && len(v) >= 16:
			at = event.Time(int64(order.Uint64(v))*1e9 + int64(order.Uint64(v[8:])))
		case kind == unix.SO_TIMESTAMPNS_OLD && len(v) >= 8: // 32-bit systems
			at = event.Time(int64(int32(order.Uint32(v)))*1e9 + int64(order.Uint32(v[4:])))
		}
		b = b[min(uint64(unix.CmsgSpace(int(size)-unix.CmsgLen(0))), uint64(len(b))):]
	}
	return at, lost
}
