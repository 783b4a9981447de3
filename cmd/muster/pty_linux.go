package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"go.einride.tech/can"
	"golang.org/x/sys/unix"

	"muster/internal/event"
)

// pty is a pseudo-terminal with an adapter behind it.
type pty struct {
	master, slave *os.File // the slave is held open so that the line lives while no program is on it
	link          string

	mu      sync.Mutex // guards what follows
	adapter adapter
	rest    []byte // of a line that the terminal took in part
	heard   []can.Frame
	once    sync.Once
	err     error
}

// openPTY makes a pseudo-terminal that looks like a serial adapter and prints its name; link, unless empty, becomes a
// symbolic link to it.
func (a *app) openPTY(link string) (_ bus, err error) {
	p := &pty{}
	if p.master, err = os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0); err != nil {
		return nil, fmt.Errorf("open a pseudo-terminal: %w", err)
	}
	defer func() {
		if err != nil {
			p.Close()
		}
	}()
	name, err := p.unlock()
	if err != nil {
		return nil, fmt.Errorf("open a pseudo-terminal: %w", err)
	}
	if p.slave, err = os.OpenFile(name, os.O_RDWR|unix.O_NOCTTY, 0); err != nil {
		return nil, fmt.Errorf("open a pseudo-terminal: %w", err)
	}
	if link != "" {
		if err := os.Symlink(name, link); err != nil {
			return nil, fmt.Errorf("link %q to the pseudo-terminal: %w: give another name behind pty", link,
				errors.Unwrap(err))
		}
		p.link = link
		name = link
	}
	fmt.Fprintf(a.stdout, "serial:%s is the adapter\n", name)
	return p, nil
}

// unlock makes the other end usable, raw, and returns its name.
func (p *pty) unlock() (string, error) {
	raw, err := p.master.SyscallConn()
	if err != nil {
		return "", err
	}
	var name string
	var inner error
	err = raw.Control(func(fd uintptr) {
		if inner = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); inner != nil {
			return
		}
		n, err := unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		if err != nil {
			inner = err
			return
		}
		name = fmt.Sprintf("/dev/pts/%d", n)
		t, err := unix.IoctlGetTermios(int(fd), unix.TCGETS)
		if err != nil {
			inner = err
			return
		}
		t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
		t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8 | unix.CREAD | unix.CLOCAL
		t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
		inner = unix.IoctlSetTermios(int(fd), unix.TCSETS, t)
	})
	return name, errors.Join(err, inner)
}

// Read gives the frames that the host sends.
func (p *pty) Read(events []event.Event) (int, error) {
	var buf [512]byte
	for {
		n, err := p.master.Read(buf[:])
		if errors.Is(err, os.ErrClosed) {
			return 0, io.EOF
		}
		if err != nil {
			return 0, fmt.Errorf("read the pseudo-terminal: %w", err)
		}
		p.mu.Lock()
		answer := p.adapter.hear(buf[:n], nil, func(f can.Frame) { p.heard = append(p.heard, f) })
		if len(answer) > 0 {
			_ = p.write(answer)
		}
		n = 0
		now := event.At(time.Now())
		for n < len(events) && n < len(p.heard) {
			events[n] = event.Event{Time: now, Kind: event.KindFrame, Frame: p.heard[n]}
			n++
		}
		p.heard = append(p.heard[:0], p.heard[n:]...)
		p.mu.Unlock()
		if n > 0 {
			return n, nil
		}
	}
}

var errNotTaken = errors.New("the program at the other end does not read")

// Send gives the host a frame. While the host has not opened the bus the frame goes by, as on a real one.
func (p *pty) Send(f can.Frame) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.adapter.open {
		return nil
	}
	return p.write(appendFrame(nil, &f))
}

// write adds a line, whole: what the terminal does not take of it goes first next time.
func (p *pty) write(line []byte) error {
	if err := p.master.SetWriteDeadline(time.Now().Add(20 * time.Millisecond)); err != nil {
		return err
	}
	if len(p.rest) > 0 {
		n, _ := p.master.Write(p.rest)
		if p.rest = p.rest[n:]; len(p.rest) > 0 {
			return errNotTaken
		}
	}
	n, err := p.master.Write(line)
	if n > 0 && n < len(line) {
		p.rest = append([]byte(nil), line[n:]...)
		return nil
	}
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return errNotTaken
	}
	return err
}

// Close takes the pseudo-terminal and its link away.
func (p *pty) Close() error {
	p.once.Do(func() {
		if p.link != "" {
			p.err = os.Remove(p.link)
		}
		for _, f := range []*os.File{p.slave, p.master} {
			if f != nil {
				if err := f.Close(); p.err == nil {
					p.err = err
				}
			}
		}
	})
	return p.err
}
