//go:build !linux

package tap

import (
	"fmt"
	"syscall"
)

func openSocketCAN(name string, _ Options) (Source, error) {
	return nil, fmt.Errorf("open %q: network interfaces for CAN exist on Linux only: use a serial adapter as serial:PORT, or a capture file", "socketcan:"+name)
}

// Only Linux counts what a socket had no room for.
func countLosses(syscall.Conn) {}

func lossesIn([]byte) uint32 { return 0 }
