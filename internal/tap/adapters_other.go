//go:build !linux

package tap

// CANInterfaces is empty: network interfaces for CAN exist on Linux only.
func CANInterfaces(string) ([]CANInterface, error) { return nil, nil }
