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
		_ = os.Remove(name)
		f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o644)
		if err == nil {
			return func() {
				_ = f.Close()
				_ = os.Remove(name)
			}, nil
		}
		if !os.IsExist(err) && !os.IsPermission(err) {
			return nil, err
		}
		time.Sleep(5 * time.Millisecond)
	}
}
