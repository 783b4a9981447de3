//go:build !unix

package job

import (
	"os"
	"time"
)

// Lock waits until no other process and no other goroutine holds the file, and holds it until unlock. These systems
// do not let an open file be removed, so that one which can be is not held.
func Lock(name string) (unlock func(), err error) {
	for {
		if unlock, err := tryLock(name); unlock != nil || err != nil {
			return unlock, err
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// lockKept is Lock: the file that is there is the lock.
func lockKept(name string) (unlock func(), err error) { return Lock(name) }

// tryLock is Lock that does not wait: unlock is nil when another holds the file.
func tryLock(name string) (unlock func(), err error) {
	_ = os.Remove(name)
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o644)
	switch {
	case err == nil:
		return func() {
			_ = f.Close()
			_ = os.Remove(name)
		}, nil
	case os.IsExist(err), os.IsPermission(err):
		return nil, nil
	}
	return nil, err
}
