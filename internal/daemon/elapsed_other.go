//go:build !linux

package daemon

import "time"

// sinceBoot is a clock that nobody sets.
func sinceBoot() time.Duration { return time.Since(started) }
