//go:build unix

package job

import (
	"os"
	"syscall"
)

// Lock waits until no other process and no other goroutine holds the file, and holds it until unlock. The system lets go of what a
// process held that ended.
func Lock(name string) (unlock func(), err error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, err
	}
	for {
		if err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != syscall.EINTR {
			break
		}
	}
	if err != nil {
		_ = f.Close()
		return nil, &os.PathError{Op: "lock", Path: name, Err: err}
	}
	return func() { _ = f.Close() }, nil
}
