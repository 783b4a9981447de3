package boat

import (
	"testing"
	"time"

	"muster/pgn"
)

// A unit whose instance changes claims under another NAME; the NAME it had is gone at once, unless both send.
func TestUnitUnderAnotherName(t *testing.T) {
	first := testName(7, 120, 130)
	f := first.Fields()
	f.DeviceInstance, f.SystemInstance = 3, 1
	second := f.NAME()
	f.UniqueNumber = 8
	stranger := f.NAME()
	for _, c := range []struct {
		name string
		wire *wire
		old  DeviceState
	}{
		{"changed in place", newWire().claim(3, first).wait(50*time.Millisecond).claim(3, second), Gone},
		{"back from an update at another address", newWire().claim(3, first).wait(40*time.Second).claim(9, second), Gone},
		{"two devices of one unique number", newWire().claim(3, first).wait(100*time.Millisecond).claim(9, second).wait(time.Second).
			send(127250, 3, pgn.Global, 0, 1, 2, 3, 4, 5, 6, 7), Present},
		{"another unit", newWire().claim(3, first).wait(40*time.Second).claim(9, stranger), Present},
		{"and changed back", newWire().claim(3, first).wait(time.Second).claim(3, second).wait(time.Second).claim(3, first), Present},
		{"it speaks again", newWire().claim(3, first).wait(40*time.Second).claim(9, second).wait(time.Second).claim(3, first), Present},
	} {
		t.Run(c.name, func(t *testing.T) {
			if d := deviceOf(t, c.wire.state(), first.String()); d.State != c.old {
				t.Errorf("the old NAME is %s, want %s", d.State, c.old)
			}
		})
	}
}

// The same device under its earlier NAME again, as after a restart with the old settings: the NAME between is gone,
// and what is received is not counted for it.
func TestUnitUnderItsEarlierName(t *testing.T) {
	first := testName(7, 120, 130)
	f := first.Fields()
	f.DeviceInstance = 3
	second := f.NAME()
	for _, names := range [][2]pgn.NAME{{first, second}, {second, first}} {
		w := newWire()
		for _, name := range []pgn.NAME{names[0], names[1], names[0]} {
			w.claim(35, name).wait(300*time.Millisecond).every(100*time.Millisecond, 20, 127250, 35, heading...)
		}
		r := w.state()
		if d := deviceOf(t, r, names[1].String()); d.State != Gone || d.Address != nil {
			t.Errorf("%s is %s at %v", d.ID, d.State, d.Address)
		}
		if d := deviceOf(t, r, names[0].String()); d.State != Present || d.Address == nil || d.LastSeen != r.TakenAt {
			t.Errorf("%s is %s at %v, last seen %v", d.ID, d.State, d.Address, d.LastSeen)
		}
	}
}
