// Package hosttest protects tests from what a computer that others use too does to them, and finds what several
// packages test with.
package hosttest

import (
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"go.uber.org/goleak"
)

// given are the ports that this process was given, each once.
var given sync.Map

// Port finds a port of TCP and UDP for a program that must be given one. It lies outside the range from which the
// kernel gives ports to any program that asks for one (ip(7), ip_local_port_range), so that none gets it before the
// program has it.
func Port(t testing.TB) int {
	t.Helper()
	const lowest = 10_000
	end := 32_768 // Linux's own setting; other systems begin later
	if text, err := os.ReadFile("/proc/sys/net/ipv4/ip_local_port_range"); err == nil {
		_, _ = fmt.Sscan(string(text), &end)
	}
	var err error
	for range 1000 {
		port := lowest + rand.IntN(max(end-lowest, 1000))
		if _, again := given.LoadOrStore(port, true); again {
			continue
		}
		if err = free(port); err == nil {
			return port
		}
	}
	t.Fatalf("no port is free: %v", err)
	return 0
}

// Address is a port of the loopback interface as host:port.
func Address(t testing.TB) string {
	t.Helper()
	return fmt.Sprintf("127.0.0.1:%d", Port(t))
}

func free(port int) error {
	address := fmt.Sprintf(":%d", port)
	l, err := net.Listen("tcp", address)
	if err != nil {
		return err
	}
	defer l.Close()
	u, err := net.ListenPacket("udp", address)
	if err != nil {
		return err
	}
	return u.Close()
}

// Testdata is the path of a file of the module's testdata, whose README.md describes each. Tests run in the folder of
// their package; the module begins in the nearest one above that has a go.mod.
func Testdata(t testing.TB, name string) string {
	t.Helper()
	dir, err := filepath.Abs(".")
	if err != nil {
		t.Fatal(err)
	}
	for top := dir; ; top = filepath.Dir(top) {
		if _, err := os.Stat(filepath.Join(top, "go.mod")); err == nil {
			return filepath.Join(top, "testdata", filepath.FromSlash(name))
		}
		if top == filepath.Dir(top) {
			t.Fatalf("testdata/%s: no go.mod above %s", name, dir)
		}
	}
}

// tests wait, when they are through, for goroutines that are about to end.
type tests struct{ *testing.M }

func (m tests) Run() int {
	status := m.M.Run()
	for range 100 { // half a second each
		if goleak.Find() == nil {
			break
		}
	}
	return status
}

// Main runs a package's tests and fails when a goroutine is left. A loaded computer has a minute to end the last
// ones.
func Main(m *testing.M) { goleak.VerifyTestMain(tests{m}) }
