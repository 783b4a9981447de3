package tap

import (
	"os"
	"path/filepath"
	"testing"
)

// TestDeviceInSysfs: driver and product name are found by the links that the kernel makes.
func TestDeviceInSysfs(t *testing.T) {
	sysfs := t.TempDir()
	usb, spi := "devices/usb1/1-1", "devices/spi0.0"
	for _, dir := range []string{"class/net/can0", "class/net/can1", "class/net/vcan0", "bus/usb/drivers/gs_usb", "bus/spi/drivers/mcp251x",
		usb + "/1-1:1.0", spi} {
		if err := os.MkdirAll(filepath.Join(sysfs, dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(sysfs, usb, "product"), []byte("CAN adapter\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for link, to := range map[string]string{
		"class/net/can0/device": usb + "/1-1:1.0", usb + "/1-1:1.0/driver": "bus/usb/drivers/gs_usb",
		"class/net/can1/device": spi, spi + "/driver": "bus/spi/drivers/mcp251x",
	} {
		if err := os.Symlink(filepath.Join(sysfs, to), filepath.Join(sysfs, link)); err != nil {
			t.Fatal(err)
		}
	}
	for name, want := range map[string][2]string{"can0": {"gs_usb", "CAN adapter"}, "can1": {"mcp251x", "spi0.0"}, "vcan0": {}} {
		c := CANInterface{Name: name}
		c.device(sysfs)
		if got := [2]string{c.Driver, c.Device}; got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
}
