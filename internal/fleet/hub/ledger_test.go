package hub

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"muster/internal/boat"
)

// TestLedgerIsBounded: a boat whose units come and go, and change their software with every report, keeps the latest of each only, and a
// record that became too large forgets the past and not what the latest report says.
func TestLedgerIsBounded(t *testing.T) {
	at := time.Date(2026, 5, 2, 8, 0, 0, 0, time.UTC)
	var r record
	for n := range 40 {
		var now []Device
		for i := range 100 {
			serial := fmt.Sprintf("A-%d", i)
			if i >= 50 {
				serial = fmt.Sprintf("B-%d-%d", n, i)
			}
			now = append(now, Device{ID: fmt.Sprint(i), Model: "LF9", Serial: serial, Software: fmt.Sprint(n), State: boat.Present})
		}
		r.keep(now, nil, at.Add(time.Duration(n)*time.Hour))
	}
	if len(r.Devices) != 100 || len(r.Left) != maxLeft || len(r.Devices[0].Earlier) != maxEarlier {
		t.Errorf("%d units, %d left, %d versions before", len(r.Devices), len(r.Left), len(r.Devices[0].Earlier))
	}
	if d := r.Devices[0]; !d.Since.Equal(at) || d.Earlier[maxEarlier-1].Version != "38" {
		t.Errorf("a unit that stayed: %+v", d)
	}
	if d := r.Left[0]; d.State != boat.Gone || !d.Until.Equal(at.Add(38*time.Hour)) {
		t.Errorf("a unit that left: %+v", d)
	}
	r.Devices[0].Earlier[0].Version = strings.Repeat("x", maxRecord)
	r.forget()
	text, err := json.Marshal(&r)
	if err != nil || len(text) > maxRecord || len(r.Devices) != 100 || !r.Devices[0].Since.Equal(at) {
		t.Errorf("after forgetting: %d bytes, %d units: %v", len(text), len(r.Devices), err)
	}
}
