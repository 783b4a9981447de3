package daemon

import (
	"time"

	"golang.org/x/sys/unix"
)

// sinceBoot is a clock that is never set and that runs while the computer sleeps.
func sinceBoot() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil {
		return time.Since(started)
	}
	return time.Duration(t.Nano())
}
