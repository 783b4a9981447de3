package tap

import (
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"syscall"

	"muster/internal/capture"
	"muster/internal/event"
)

// Recorded is a source that reads a capture. Progress may be called from any goroutine.
type Recorded interface {
	Source
	// Progress is how many bytes have been read and how many there are; total is 0 when that is not known.
	Progress() (read, total int64)
}

// file reads a capture file.
type file struct {
	name   string
	f      *os.File
	r      *capture.Reader
	closed atomic.Bool
	mu     sync.Mutex // held while reading, so that Close does not pull an unpacker from under a Read
}

func openFile(name string) (Source, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("open %q: %w: check the path and its permissions", name, plain(err))
	}
	if fi, err := f.Stat(); err == nil && fi.IsDir() {
		f.Close()
		return nil, fmt.Errorf("open %q: it is a directory: name a capture file in it", name)
	}
	r, err := capture.NewReader(f)
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("open %q: %w", name, plain(err))
	}
	return &file{name: name, f: f, r: r}, nil
}

func (s *file) Read(events []event.Event) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed.Load() {
		return 0, io.EOF
	}
	n, err := s.r.Read(events)
	if err != nil && err != io.EOF {
		if s.closed.Load() {
			return n, io.EOF
		}
		err = fmt.Errorf("read %q: %w", s.name, plain(err))
	}
	return n, err
}

func (s *file) Progress() (read, total int64) { return s.r.Progress() }

func (s *file) Close() error {
	if s.closed.Swap(true) {
		return nil
	}
	err := s.f.Close() // ends a Read that waits on a pipe
	s.mu.Lock()
	defer s.mu.Unlock()
	return errors.Join(err, s.r.Close())
}

// stdin reads a capture from the standard input. The format is looked for at the first Read, so that opening does not wait.
type stdin struct {
	in   io.Reader
	own  io.Closer // nil: closing in does not end a blocked read
	r    atomic.Pointer[capture.Reader]
	done chan struct{}
	once sync.Once
}

func openStdin(opts Options) (Source, error) {
	s := &stdin{in: opts.Stdin, done: make(chan struct{})}
	if s.in == nil {
		s.in = os.Stdin
		// Opened again, a pipe's read can be ended by closing; a file, terminal or socket is read as it is.
		if fi, err := os.Stdin.Stat(); err == nil && fi.Mode()&os.ModeNamedPipe != 0 {
			if f, err := os.OpenFile("/dev/stdin", os.O_RDONLY|syscall.O_NONBLOCK, 0); err == nil {
				s.in = f
			}
		}
	}
	if c, ok := s.in.(io.Closer); ok && s.in != os.Stdin {
		s.own = c
	}
	return s, nil
}

func (s *stdin) Read(events []event.Event) (int, error) {
	select {
	case <-s.done:
		return 0, io.EOF
	default:
	}
	r := s.r.Load()
	if r == nil {
		var err error
		if r, err = capture.NewReader(s.in); err != nil {
			return 0, s.failure(err)
		}
		s.r.Store(r)
	}
	n, err := r.Read(events)
	if err != nil && err != io.EOF {
		err = s.failure(err)
	}
	return n, err
}

func (s *stdin) failure(err error) error {
	select {
	case <-s.done:
		return io.EOF
	default:
		return fmt.Errorf("read standard input: %w", plain(err))
	}
}

func (s *stdin) Progress() (read, total int64) {
	if r := s.r.Load(); r != nil {
		return r.Progress()
	}
	return 0, 0
}

// Close ends a blocked Read where the system lets it: on pipes, and on any input that is an io.Closer.
func (s *stdin) Close() (err error) {
	s.once.Do(func() {
		close(s.done)
		if s.own != nil {
			err = s.own.Close()
		}
	})
	return err
}
