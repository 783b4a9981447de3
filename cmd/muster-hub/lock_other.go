//go:build !unix

package main

import "os"

// owner is the user who owns a file; these systems have no numbers for users.
func owner(string) (uid int, ok bool) { return 0, false }

// tryLock takes a file that one process can hold: these systems do not let an open file be removed. ok is false when another holds it.
func tryLock(name string) (unlock func(), ok bool, err error) {
	_ = os.Remove(name)
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if os.IsExist(err) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, err
	}
	return func() { _ = f.Close() }, true, nil
}
