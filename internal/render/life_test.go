package render

import (
	"bytes"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/snapshot"
)

func TestHistories(t *testing.T) {
	later := noon.Add(3 * time.Hour)
	whole := boat.Span{From: noon, Until: later}
	var b bytes.Buffer
	if err := Histories(&b, []snapshot.History{
		{Device: "A1", Label: "LF9 display (H-1)", Runs: []snapshot.Run{{Version: "4.47", From: noon, To: noon}, {Version: "4.5\x1b", From: noon, To: later}},
			Life: boat.Life{
				Names:     []boat.NameUse{{ID: "C0789100FA400C45", Network: "n2k", Span: whole}, {ID: "gps/GP", Network: "gps", Span: boat.Span{From: noon}}},
				Addresses: []boat.AddressSpell{{Network: "n2k", Address: 35, Span: whole}},
				Instances: []boat.InstanceUse{{Function: "Display", DeviceInstance: 6, SystemInstance: 1, Span: whole}},
				Restarts:  5, Restarted: []event.Time{noon}, Absences: []boat.Span{whole}, Before: []boat.Box{{Model: "LF9", Serial: "H-0", Until: noon}},
				Replaces: "B2", ReplacesSince: noon, ReplacedBy: "C3", ReplacedSince: later,
			}},
		{Device: "B2", Label: "SD2 sounder (S-7)", Runs: []snapshot.Run{{Version: "1.2", To: later}}},
		{Device: "D4", Label: "GW3 wind"},
	}); err != nil {
		t.Fatal(err)
	}
	want := `LF9 display (H-1)
  other box        LF9 H-0                        until 2026-05-04 12:00:00 UTC
  software         4.47                           2026-05-04 12:00:00 UTC
  software         4.5\x1b                        2026-05-04 12:00:00 UTC to 2026-05-04 15:00:00 UTC
  NAME             C0789100FA400C45 on n2k        2026-05-04 12:00:00 UTC to 2026-05-04 15:00:00 UTC
  talker           gps/GP                         since 2026-05-04 12:00:00 UTC
  address          35 on n2k                      2026-05-04 12:00:00 UTC to 2026-05-04 15:00:00 UTC
  device instance  6, system instance 1, Display  2026-05-04 12:00:00 UTC to 2026-05-04 15:00:00 UTC
  restarts         5
  restarted                                       2026-05-04 12:00:00 UTC
  absent                                          2026-05-04 12:00:00 UTC to 2026-05-04 15:00:00 UTC
  replaces         SD2 sounder (S-7)              since 2026-05-04 12:00:00 UTC
  replaced by      C3                             since 2026-05-04 15:00:00 UTC
SD2 sounder (S-7)
  software  1.2  until 2026-05-04 15:00:00 UTC
  restarts  0
GW3 wind
  software  not reported
  restarts  0
`
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Error(diff)
	}
}
