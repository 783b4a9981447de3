package capture

import (
	"errors"
	"io"
	"strings"
	"testing"

	"muster/internal/event"
)

// TestComments: comments, and what recording tools write between records, are neither records nor damage.
func TestComments(t *testing.T) {
	for name, tt := range map[string]struct {
		text    string
		records int
	}{
		"candump": {"# quay, engine off\nEnabling Logfile 'candump-2026-05-02_080000.log'\n(1780000000.100000) can0 09F10D23#FFFFFFFFFFFFFFFF\n" +
			"  # the plug was loose here\n(1780000000.200000) can0 09F10D23#FFFFFFFFFFFFFFFF\n", 2},
		"sentences": {"# log of the compass\n$HEHDT,123.4,T*1E\n#\n$HEHDT,123.5,T*1F\n", 2},
	} {
		t.Run(name, func(t *testing.T) {
			r, err := NewReader(strings.NewReader(tt.text))
			if err != nil {
				t.Fatal(err)
			}
			got := 0
			for events := make([]event.Event, 8); ; {
				n, err := r.Read(events)
				for i := range events[:n] {
					switch events[i].Kind {
					case event.KindDamaged:
						t.Errorf("damage: %s", events[i].Line)
					case event.KindFrame, event.KindLine:
						got++
					}
				}
				if errors.Is(err, io.EOF) {
					break
				} else if err != nil {
					t.Fatal(err)
				}
			}
			if got != tt.records {
				t.Errorf("%d records, want %d", got, tt.records)
			}
		})
	}
}
