package main

import "golang.org/x/sys/unix"

// openPlain opens a port without waiting for its other end, and without making it the program's terminal.
const openPlain = unix.O_NONBLOCK | unix.O_NOCTTY

// clockSynchronised asks the kernel whether a time service keeps its clock.
func clockSynchronised() (yes, known bool) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return state != unix.TIME_ERROR, err == nil
}

// freeSpace is what a user without privileges can still write in a folder, in bytes.
func freeSpace(dir string) (bytes uint64, ok bool) {
	var s unix.Statfs_t
	err := unix.Statfs(dir, &s)
	return s.Bavail * uint64(s.Bsize), err == nil
}
