// Flood sends the simulated saturated bus on a CAN interface at a multiple of its pace, and prints how it went. It
// sends as a bus does: what could not be sent in time because this computer stopped is not made up for in a burst,
// but the bus stopped too.
package main

import (
	"context"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"muster/internal/event"
	"muster/internal/sim"
)

const (
	frameSize = 16
	batch     = 128
	// late is for how long nothing may be sent that is sent later all the same; what comes on top is time in which
	// the bus stopped.
	late = 200 * time.Millisecond
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run() error {
	speed := flag.Float64("speed", 10, "times the pace of the bus")
	span := flag.Duration("for", 150*time.Second, "of the bus's own time")
	flag.Parse()
	ifi, err := net.InterfaceByName(flag.Arg(0))
	if err != nil {
		return err
	}
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW, unix.CAN_RAW)
	if err != nil {
		return err
	}
	// Nothing is received here: that would cost as much again.
	if err := unix.SetsockoptString(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FILTER, ""); err != nil {
		return err
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: ifi.Index}); err != nil {
		return err
	}
	frames, due, err := simulate(*span)
	if err != nil {
		return err
	}
	out := newSender(fd, frames)
	var still, longest time.Duration
	began := time.Now()
	start, looked := began, began
	for next := 0; next < len(due); {
		time.Sleep(4 * time.Millisecond)
		now := time.Now()
		if passed := now.Sub(looked); passed > late {
			still, longest = still+passed-late, max(longest, passed)
			start = start.Add(passed - late)
		}
		looked = now
		ran := time.Duration(float64(now.Sub(start)) * *speed)
		until := next
		for until < len(due) && due[until] <= ran {
			until++
		}
		sent, err := out.send(next, until)
		if err != nil {
			return fmt.Errorf("after %d frames: %w", next+sent, err)
		}
		next = until
	}
	took := time.Since(began)
	fmt.Printf(`{"sent": %d, "seconds": %.3f, "still_seconds": %.3f, "longest_still": %.3f, "refused": %d}`+"\n",
		len(due), took.Seconds(), still.Seconds(), longest.Seconds(), out.refused)
	return nil
}

// simulate gives the frames of a span as the kernel takes them, and when each is due.
func simulate(span time.Duration) (frames []byte, due []time.Duration, err error) {
	scenario, err := sim.Load(context.Background(), "saturated")
	if err != nil {
		return nil, nil, err
	}
	scenario.Duration = span
	start := event.At(time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC))
	s := sim.New(scenario, 1, start)
	events := make([]event.Event, 256)
	for {
		n, err := s.Read(events)
		for i := range events[:n] {
			e := &events[i]
			if e.Kind != event.KindFrame {
				continue
			}
			frames = binary.NativeEndian.AppendUint32(frames, e.Frame.ID|unix.CAN_EFF_FLAG)
			frames = append(frames, e.Frame.Length, 0, 0, 0)
			frames = append(frames, e.Frame.Data[:]...)
			due = append(due, e.Time.Sub(start))
		}
		if errors.Is(err, io.EOF) {
			return frames, due, nil
		}
		if err != nil {
			return nil, nil, err
		}
	}
}

// sender sends many frames with one system call.
type sender struct {
	fd      int
	frames  []byte
	vectors [batch]unix.Iovec
	headers [batch]unix.Mmsghdr
	refused int // times that the interface took none for a moment; those frames were sent later
}

func newSender(fd int, frames []byte) *sender {
	s := &sender{fd: fd, frames: frames}
	for i := range s.headers {
		s.vectors[i].SetLen(frameSize)
		s.headers[i].Hdr.Iov = &s.vectors[i]
		s.headers[i].Hdr.SetIovlen(1)
	}
	return s
}

// send sends the frames from one to another, which is left out.
func (s *sender) send(from, to int) (sent int, err error) {
	for at := from; at < to; {
		n := min(batch, to-at)
		for i := range n {
			s.vectors[i].Base = &s.frames[(at+i)*frameSize]
		}
		done, _, errno := unix.Syscall6(unix.SYS_SENDMMSG, uintptr(s.fd), uintptr(unsafe.Pointer(&s.headers[0])), uintptr(n), 0, 0, 0)
		switch errno {
		case 0:
			at += int(done)
		case unix.EINTR:
		case unix.ENOBUFS:
			s.refused++
			time.Sleep(time.Millisecond)
		default:
			return at - from, errno
		}
	}
	return to - from, nil
}
