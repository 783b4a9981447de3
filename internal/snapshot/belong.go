package snapshot

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"muster/internal/boat"
	"muster/internal/report"
)

// Least share of units in common, in percent, from which two reports are of one boat: a refit changes some of them, a sister boat all.
const leastShared = 60

// ErrSame means that a snapshot is compared with itself.
var ErrSame = errors.New("it is the same snapshot twice")

// ErrWrongWay means that the later snapshot was given first.
var ErrWrongWay = errors.New("the later snapshot is given first")

// Shared is which units of two reports are the same boxes. Only units that identify themselves count: by a NAME with
// a unique number or by a serial number.
type Shared struct {
	Units       int      // the same in both
	Of          int      // units of the report that has fewer
	Differences []string // the three clearest ones, in words
}

// Enough reports whether the two can be of one boat. Reports without a unit that identifies itself show nothing
// against it.
func (s Shared) Enough() bool { return s.Units*100 >= s.Of*leastShared }

// Share compares who is aboard in two reports.
func Share(before, after *report.Report) Shared {
	pairs, gone, added := match(before, after)
	var s Shared
	var only []string
	left, right := 0, 0
	for _, p := range pairs {
		if !distinct(p.Before) || !distinct(p.After) {
			continue
		}
		left, right = left+1, right+1
		if p.replaced() {
			s.Differences = append(s.Differences, fmt.Sprintf("%s in place of %s", p.After.Label(), p.Before.Label()))
		} else {
			s.Units++
		}
	}
	for _, side := range []struct {
		units []*report.Device
		count *int
		where string
	}{{gone, &left, "before"}, {added, &right, "after"}} {
		for _, d := range side.units {
			if distinct(d) {
				*side.count++
				only = append(only, fmt.Sprintf("%s only %s", d.Label(), side.where))
			}
		}
	}
	s.Of = min(left, right)
	s.Differences = slices.Concat(s.Differences, only)
	s.Differences = s.Differences[:min(len(s.Differences), 3)]
	return s
}

// distinct reports whether the device identifies its box.
func distinct(d *report.Device) bool { return byUnit(d) != "" || bySerial(d) != "" }

// belong refuses two snapshots that are not of one boat, or not the earlier and the later one. because is a person's word that they
// are all the same; no word makes one snapshot two.
func belong(before, after *Snapshot, c *Comparison, o Options) error {
	if c.Before.SHA256 == c.After.SHA256 {
		return fmt.Errorf("%w, taken %s", ErrSame, before.TakenAt())
	}
	if o.AnotherBoat || o.Because != "" {
		return nil
	}
	b, a := before.Report, after.Report
	if b.Boat.ID != a.Boat.ID {
		return fmt.Errorf("%w: %s and %s; to compare them all the same, give --another-boat", ErrAnotherBoat, Label(b.Boat), Label(a.Boat))
	}
	if s := Share(b, a); !s.Enough() {
		return fmt.Errorf("%w: they share %d of %d units: %s; if they are of one boat, give --belongs-because with the reason",
			ErrAnotherBoat, s.Units, s.Of, boat.Printable(strings.Join(s.Differences, ", ")))
	}
	if x, y := before.TakenAt(), after.TakenAt(); x != 0 && y != 0 && x > y {
		return fmt.Errorf("%w: %s, and %s", ErrWrongWay, x, y)
	}
	return nil
}
