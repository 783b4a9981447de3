//go:build unix

package job

import (
	"errors"
	"os"
	"syscall"
)

// Lock waits until no other process and no other goroutine holds the file, and holds it until unlock, which removes
// it. The system lets go of what a process held that was killed.
func Lock(name string) (unlock func(), err error) { return lock(name, syscall.LOCK_EX) }

// tryLock is Lock that does not wait: unlock is nil when another holds the file.
func tryLock(name string) (unlock func(), err error) {
	unlock, err = lock(name, syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return nil, nil
	}
	return unlock, err
}

// lockKept is Lock of a file that stays, so that the lock of every second writes nothing to a card.
func lockKept(name string) (unlock func(), err error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, err
	}
	if err := hold(f, syscall.LOCK_EX); err != nil {
		_ = f.Close()
		return nil, &os.PathError{Op: "lock", Path: name, Err: err}
	}
	return func() { _ = f.Close() }, nil
}

func lock(name string, how int) (unlock func(), err error) {
	for {
		f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o644)
		if err != nil {
			return nil, err
		}
		if err := hold(f, how); err != nil {
			_ = f.Close()
			return nil, &os.PathError{Op: "lock", Path: name, Err: err}
		}
		if held, err := f.Stat(); err == nil {
			if there, err := os.Stat(name); err == nil && os.SameFile(held, there) {
				return func() {
					_ = os.Remove(name)
					_ = f.Close()
				}, nil
			}
		}
		_ = f.Close() // who held it before has removed it
	}
}

func hold(f *os.File, how int) error {
	for {
		if err := syscall.Flock(int(f.Fd()), how); err != syscall.EINTR {
			return err
		}
	}
}
