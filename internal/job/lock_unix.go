//go:build unix

package job

import (
	"os"
	"syscall"
)

// Lock waits until no other process and no other goroutine holds the file, and holds it until unlock, which removes
// it. The system lets go of what a process held that was killed.
func Lock(name string) (unlock func(), err error) {
	for {
		f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o644)
		if err != nil {
			return nil, err
		}
		if err := hold(f); err != nil {
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

func hold(f *os.File) error {
	for {
		if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != syscall.EINTR {
			return err
		}
	}
}
