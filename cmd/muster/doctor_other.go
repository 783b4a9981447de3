//go:build !linux

package main

// openPlain is nothing where a port needs no care.
const openPlain = 0

// clockSynchronised is known on Linux only.
func clockSynchronised() (yes, known bool) { return false, false }

// freeSpace is known on Linux only.
func freeSpace(string) (bytes uint64, ok bool) { return 0, false }
