package daemon

import (
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// notify reports our state to systemd; without systemd it does nothing.
func notify(state string) { _, _ = daemon.SdNotify(false, state) }

// watchdog reports to systemd that the model's goroutine still turns.
type watchdog struct {
	every time.Duration // 0: no watchdog is asked for
	last  time.Time
	now   func() time.Time
}

func newWatchdog(now func() time.Time) *watchdog {
	limit, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		limit = 0
	}
	return &watchdog{every: limit / 3, now: now}
}

func (w *watchdog) alive() {
	if w.every == 0 {
		return
	}
	if t := w.now(); t.Sub(w.last) >= w.every {
		w.last = t
		notify(daemon.SdNotifyWatchdog)
	}
}
