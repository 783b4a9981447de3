//go:build unix

package main

import (
	"errors"
	"os"
	"syscall"
)

// owner is the user who owns a file.
func owner(name string) (uid int, ok bool) {
	fi, err := os.Stat(name)
	if err != nil {
		return 0, false
	}
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, false
	}
	return int(st.Uid), true
}

// tryLock takes a file that one process can hold. ok is false when another holds it.
func tryLock(name string) (unlock func(), ok bool, err error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, false, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, false, nil
		}
		return nil, false, err
	}
	return func() { _ = f.Close() }, true, nil
}
