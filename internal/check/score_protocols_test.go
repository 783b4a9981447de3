package check_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"muster/internal/check"
)

// TestBothProtocols: each check that compares sources finds its fault between a device of the backbone and a talker on a line, names both,
// and keeps the courses of both for the picture.
func TestBothProtocols(t *testing.T) {
	want := map[string]bool{"sources-disagree": true, "clock-mismatch": true, "multiple-sources": true, "data-loop": true}
	for _, f := range faultsAboard() {
		if !want[f.check] || !strings.Contains(f.size, "line") {
			continue
		}
		t.Run(f.size, func(t *testing.T) {
			t.Parallel()
			const seed = 77
			at := breakAt(seed)
			got := live(seed, at+10*time.Minute, at, f)
			raised := got.by(f.check, 0)
			if raised == nil {
				t.Fatal("nothing was found")
			}
			facts := fmt.Sprint(raised.Alert.Evidence)
			if len(raised.Alert.Devices) == 0 || !strings.Contains(facts, "line/") {
				t.Errorf("devices %v, evidence %s", raised.Alert.Devices, facts)
			}
			if f.check == "clock-mismatch" || f.check == "multiple-sources" { // no courses of a value
				return
			}
			s, ok := check.SeriesOf(raised.Alert.Evidence)
			if !ok || len(s.Lines) != 2 || s.Unit == "" || s.Lines[0].Name == s.Lines[1].Name {
				t.Fatalf("series %+v", s)
			}
			for _, l := range s.Lines {
				values := 0
				for _, v := range l.At {
					if v != nil {
						values++
					}
				}
				if values < 20 || len(l.At) > 50 {
					t.Errorf("%s: %d of %d values", l.Name, values, len(l.At))
				}
			}
		})
	}
}

// TestPicturesOfOneSource: a slow message is drawn with its published interval, and a low bank with its limit.
func TestPicturesOfOneSource(t *testing.T) {
	for _, f := range faultsAboard() {
		if f.check != "slow-data" && f.check != "low-voltage" {
			continue
		}
		const seed = 78
		at := breakAt(seed)
		got := live(seed, at+5*time.Minute, at, f)
		raised := got.by(f.check, 0)
		if raised == nil {
			t.Fatalf("%s: nothing was found", f.check)
		}
		s, ok := check.SeriesOf(raised.Alert.Evidence)
		if !ok || len(s.Lines) != 2 || len(s.Lines[0].At) < 10 || len(s.Lines[1].At) != 1 {
			t.Errorf("%s: series %+v", f.check, s)
		}
	}
}
