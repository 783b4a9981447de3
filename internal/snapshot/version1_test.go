package snapshot

import (
	"bytes"
	"os"
	"testing"
)

// TestVersion1: two snapshots that the last program with reports of version 1 took of testdata/units/defaults.yaml, before
// and after the update. Their seals hold, and fail when a byte changes; the display that has another NAME since is one unit.
func TestVersion1(t *testing.T) {
	var both []*Snapshot
	for _, file := range []string{"testdata/v1-before.json", "testdata/v1-after.json"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		s, err := Decode(text)
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		if err := s.Verify(nil); err != nil {
			t.Errorf("%s: %v", file, err)
		}
		if n := len(s.Report.Aboard()); n != 2 {
			t.Errorf("%s: %d units aboard", file, n)
		}
		changed, err := Decode(bytes.Replace(text, []byte("LF9-1"), []byte("LF9-7"), 1))
		if err == nil {
			err = changed.Verify(nil)
		}
		if err == nil {
			t.Errorf("%s: a changed serial number passes", file)
		}
		both = append(both, s)
	}
	c, err := Compare(both[0], both[1], Options{Because: "the test"})
	if err != nil {
		t.Fatal(err)
	}
	classes := map[Class]int{}
	for _, x := range c.Changes {
		classes[x.Class]++
	}
	if classes[Gone]+classes[Added] > 0 || c.Before.Devices != 2 || c.After.Devices != 2 || len(c.Changes) != 3 {
		t.Errorf("%d and %d units: %v", c.Before.Devices, c.After.Devices, classes)
	}
}
