package release

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"muster/internal/boat"
	"muster/internal/report"
	"muster/pgn"
)

// Least share of units in common, in percent, from which an order is of the boat that is received.
const leastShared = 60

// ErrOtherBoat is what an order made for another boat is refused with.
var ErrOtherBoat = errors.New("the order was made for another boat")

// CheckBoat refuses an order for another boat: ids that differ, or too few of the order's units among those aboard.
// Of a report that has only begun, those received so far already decide.
func (o *Order) CheckBoat(r *report.Report) error {
	if o.Boat.ID != "" && r.Boat.ID != "" && o.Boat.ID != r.Boat.ID {
		return fmt.Errorf("follow: %w: it is for %q, this is %q; make an order from a snapshot of this boat", ErrOtherBoat, o.Boat.ID, r.Boat.ID)
	}
	units, shared := o.aboard(), 0
	var missing []string
	for _, u := range units {
		if slices.ContainsFunc(r.Units, func(x report.Unit) bool { return u.is(&x) }) {
			shared++
		} else if len(missing) < 3 {
			missing = append(missing, u.Label)
		}
	}
	heard := 0
	for _, u := range r.Aboard() {
		if u.Known() {
			heard++
		}
	}
	of := min(len(units), heard)
	named := o.Boat.ID != "" && r.Boat.ID != ""
	if shared*100 >= of*leastShared && (shared > 0 || named || len(units) == 0) {
		return nil
	}
	return fmt.Errorf("follow: %w: %d of %d units are the same; not on this boat: %s; make an order from a snapshot of this boat",
		ErrOtherBoat, shared, of, strings.Join(missing, ", "))
}

// aboard lists the units of the order that were on a network when it was made.
func (o *Order) aboard() []*Unit {
	var list []*Unit
	add := func(u *Unit) {
		if there := u.State == boat.Present || u.State == ""; u.ByHand == nil && there && !slices.ContainsFunc(list, func(o *Unit) bool { return o.ID == u.ID }) {
			list = append(list, u)
		}
	}
	for _, s := range o.Steps() {
		add(&s.Device)
	}
	for _, remarks := range [][]Remark{o.NoUpdate, o.NotReachable, o.Deferred} {
		for i := range remarks {
			add(&remarks[i].Device)
		}
	}
	return list
}

// is reports whether the unit of a report is the one that an order means: by its ids, or by its NAME and serial
// number.
func (u *Unit) is(x *report.Unit) bool {
	if slices.Contains(x.IDs(), u.ID) {
		return true
	}
	d := &x.Device
	if d.Name == nil {
		return false
	}
	name, err := pgn.ParseNAME(u.ID)
	sameUnit := err == nil && d.Name.UniqueNumber == name.UniqueNumber() &&
		d.Name.Manufacturer.Code == uint32(name.Manufacturer())
	sameSerial := u.Serial != "" && d.Product != nil && trim(d.Product.Serial) == u.Serial && trim(d.Product.Model) == u.Model &&
		u.ManufacturerCode != nil && *u.ManufacturerCode == d.Name.Manufacturer.Code
	return sameUnit || sameSerial
}
