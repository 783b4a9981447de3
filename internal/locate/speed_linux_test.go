package locate

import (
	"syscall"
	"testing"
	"time"
)

// TestSpeed: 60 units and pairs, with readings, take less than 2 s of the processor.
func TestSpeed(t *testing.T) {
	l, ev := sixty(t)
	spent := func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			t.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	least := time.Hour
	for range 3 {
		start := spent()
		Locate(l, ev, Options{})
		least = min(least, spent()-start)
	}
	t.Log(least)
	if least > 2*time.Second {
		t.Errorf("it took %v", least)
	}
}
