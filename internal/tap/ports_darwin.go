//go:build darwin && !cgo

package tap

import (
	"fmt"
	"slices"

	"go.bug.st/serial"
)

// SerialPorts lists the serial ports of this computer by name. What USB shows of them needs a build with cgo.
func SerialPorts() ([]SerialPort, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	slices.Sort(names)
	all := make([]SerialPort, len(names))
	for i, name := range names {
		all[i].Name = name
	}
	return all, nil
}
