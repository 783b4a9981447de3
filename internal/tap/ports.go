//go:build !darwin || cgo

package tap

import (
	"cmp"
	"fmt"
	"slices"

	"go.bug.st/serial/enumerator"
)

// SerialPorts lists the serial ports of this computer by name, with what USB shows of them.
func SerialPorts() ([]SerialPort, error) {
	list, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	var all []SerialPort
	for _, p := range list {
		port := SerialPort{Name: p.Name}
		if p.IsUSB {
			port.Device = usbDevice(p.Product, p.VID, p.PID, p.SerialNumber)
		}
		if p.Name != "" {
			all = append(all, port)
		}
	}
	slices.SortFunc(all, func(a, b SerialPort) int { return cmp.Compare(a.Name, b.Name) })
	return all, nil
}
