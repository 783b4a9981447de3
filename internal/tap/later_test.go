package tap

import (
	"testing"

	"muster/internal/event"
)

// TestLater: what is not there is reported by its network's name and as down, with what to do about it.
func TestLater(t *testing.T) {
	for spec, want := range map[string]string{
		"serial:/dev/ttyNONE1":         "ttyNONE1",
		"0183:/dev/ttyNONE1?baud=4800": "ttyNONE1",
		"0183:/dev/ttyNONE1":           "ttyNONE1",
		"0183+tcp:127.0.0.1:1":         "127.0.0.1:1",
		"socketcan:can99":              "can99",
	} {
		if src, err := Open(spec, Options{}); err == nil {
			src.Close()
			t.Errorf("%s is there", spec)
			continue
		}
		src, err := Open(spec, Options{Later: true})
		if err != nil {
			t.Errorf("%s: %v", spec, err)
			continue
		}
		var handOut, down [1]event.Event
		if n, err := src.Read(handOut[:]); n != 1 || err != nil || handOut[0].Kind != event.KindNetwork || handOut[0].Info.ID != want {
			t.Errorf("%s: %v %+v", spec, err, handOut[0])
		}
		if n, err := src.Read(down[:]); n != 1 || err != nil || down[0].Kind != event.KindDown || len(down[0].Line) < 20 {
			t.Errorf("%s: %v %+v", spec, err, down[0])
		}
		if err := src.Close(); err != nil {
			t.Errorf("%s: %v", spec, err)
		}
	}
}
