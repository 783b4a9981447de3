package tap

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// CANInterface is what the kernel shows of a network interface that carries CAN.
type CANInterface struct {
	Name      string
	Kind      string // can, vcan, slcan or another driver's own word
	Driver    string // of the device; empty for one that has none
	Device    string // product name of a USB adapter, or the place on its bus; empty for none
	Up        bool
	State     string // of the controller, as in error-active; empty when the driver does not show it
	BitRate   uint32 // bit/s; 0 when none is set
	Listen    bool
	RestartMS uint32
	Frames    uint64 // received since the interface was made
	Lost      uint64 // frames without room in the driver or the kernel
	BusErrors uint32
	BusOffs   uint32
}

// SerialPort is a serial port of this computer.
type SerialPort struct {
	Name   string // as a SOURCE has it after serial: or 0183:
	Device string // what USB shows of its adapter; empty for none
}

// device fills in what sysfs, such as /sys, shows of the device behind an interface.
func (c *CANInterface) device(sysfs string) {
	at, err := filepath.EvalSymlinks(filepath.Join(sysfs, "class/net", c.Name, "device"))
	if err != nil {
		return
	}
	if driver, err := os.Readlink(filepath.Join(at, "driver")); err == nil {
		c.Driver = filepath.Base(driver)
	}
	c.Device = filepath.Base(at)
	for dir := at; len(dir) > len(sysfs); dir = filepath.Dir(dir) {
		if product, err := os.ReadFile(filepath.Join(dir, "product")); err == nil {
			c.Device = strings.TrimSpace(string(product))
			return
		}
	}
}

// usbDevice is what USB shows of an adapter, in one text.
func usbDevice(product, vid, pid, serial string) string {
	text := fmt.Sprintf("USB %s:%s", vid, pid)
	if product != "" {
		text = product + ", " + text
	}
	if serial != "" {
		text += ", serial number " + serial
	}
	return text
}
