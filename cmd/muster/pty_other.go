//go:build !linux

package main

import "errors"

// openPTY reports that there is none here.
func (a *app) openPTY(string) (bus, error) {
	return nil, errors.New("pty: needs Linux: use a file, udp: or an adapter")
}
