package check

import (
	"testing"
	"time"
)

// The causes are named only where the offset is theirs: leap seconds by the list of leap seconds (18 s since 2017), the week counter of GPS
// by its 10 bits, zones by whole hours from 12 h behind UTC to 14 h ahead.
func TestClockCause(t *testing.T) {
	for _, c := range []struct {
		apart time.Duration
		want  string
	}{
		{18 * time.Second, "leap"}, {17400 * time.Millisecond, "leap"}, {16 * time.Second, ""}, {20 * time.Second, ""},
		{time.Hour, "zone"}, {2*time.Hour - 2*time.Second, "zone"}, {14 * time.Hour, "zone"}, {15 * time.Hour, ""}, {90 * time.Minute, ""},
		{7168 * 24 * time.Hour, "weeks"}, {2 * 7168 * 24 * time.Hour, "weeks"}, {7168*24*time.Hour + 20*time.Hour, "weeks"}, {7000 * 24 * time.Hour, ""},
		{0, ""}, {4 * time.Second, ""}, {61 * time.Second, ""},
	} {
		if got := clockCause(c.apart); got != c.want {
			t.Errorf("%v: %q, want %q", c.apart, got, c.want)
		}
	}
}
