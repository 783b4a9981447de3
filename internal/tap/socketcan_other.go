//go:build !linux

package tap

import "fmt"

func openSocketCAN(name string, _ Options) (Source, error) {
	return nil, fmt.Errorf("open %q: network interfaces for CAN exist on Linux only: use a serial adapter as serial:PORT, or a capture file", "socketcan:"+name)
}
