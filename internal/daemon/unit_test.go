package daemon

import (
	"testing"
	"time"

	"muster/internal/event"
)

// TestUnitKeepsItsID: a unit that changed its NAME has one id, also after a start that receives only its new NAME.
func TestUnitKeepsItsID(t *testing.T) {
	dir := t.TempDir()
	now := event.At(time.Now()).Add(-time.Minute)
	renamed := nameA ^ 3<<32 // another device instance
	id := func(want int, opt Options) string {
		t.Helper()
		d, stop := aboard(t, opt)
		defer stop()
		eventually(t, func() bool { return len(d.Report().Devices) == want })
		if n := len(d.Report().Aboard()); n != 1 {
			t.Errorf("%d units aboard", n)
		}
		return d.Report().Aboard()[0].ID
	}
	first := id(2, keptOptions(t, dir, network(now, "can0", false), claim(now, nameA, 35), claim(now.Add(20*time.Second), renamed, 35)))
	later := now.Add(time.Minute)
	again := id(1, keptOptions(t, dir, network(later, "can0", false), claim(later, renamed, 35)))
	if first != nameA.String() || again != first {
		t.Errorf("the unit was %s and is %s, want %s", first, again, nameA)
	}
}
