//go:build !linux

package daemon

import "time"

// sinceBoot is a clock that is never set.
func sinceBoot() time.Duration { return time.Since(started) }
