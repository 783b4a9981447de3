package boat

import (
	"bytes"
	"cmp"
	"slices"
	"time"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// identity is what a device reported of itself.
type identity struct {
	product      *Product
	installation *Installation
	declares     []uint32
	receives     []uint32
	software     []Software
	before       []Box      // that sent under the same NAME
	returns      uint8      // how often in turn one of these sent again
	returned     event.Time // when that began
	same         int        // reports since that were those of the same box
	known        *Product   // what it reported before the model began, nil for nothing
	heard        [4][]byte  // the payloads last read, so that a repeat costs nothing
}

// take reads product information, configuration information or a PGN list; false when it cannot be read.
func (i *identity) take(m *transport.Message, number uint32) bool {
	last := &i.heard[0]
	switch number {
	case pgnConfiguration:
		last = &i.heard[1]
	case pgnList:
		if len(m.Data) == 0 || m.Data[0] > 1 || (len(m.Data)-1)%3 != 0 {
			return false
		}
		last = &i.heard[2+m.Data[0]]
	}
	if len(*last) > 0 && bytes.Equal(*last, m.Data) {
		if number == pgnProduct {
			i.alone()
		}
		return true
	}
	ok := false
	switch number {
	case pgnProduct:
		ok = i.takeProduct(m.Data, m.Time)
	case pgnConfiguration:
		ok = i.takeConfiguration(m.Data)
	case pgnList:
		ok = i.takeList(m.Data)
	}
	if ok {
		*last = append((*last)[:0], m.Data...)
	}
	return ok
}

// productLength is the length of product information in bytes (open device stack).
const productLength = 134

func (i *identity) takeProduct(data []byte, t event.Time) bool {
	if len(data) < productLength {
		return false
	}
	values, err := pgn.Lookup(pgnProduct).Decode(data, nil)
	if err != nil {
		return false
	}
	was := cmp.Or(i.product, i.known)
	i.product = &Product{
		DatabaseVersion:    rawOf[uint16](values, "nmea_2000_database_version"),
		Code:               rawOf[uint16](values, "product_code"),
		Model:              textOf(values, "model_id"),
		ModelVersion:       textOf(values, "model_version"),
		Serial:             textOf(values, "model_serial_code"),
		Software:           textOf(values, "software_version_code"),
		CertificationLevel: rawOf[uint8](values, "certification_level"),
		LoadEquivalency:    rawOf[uint8](values, "load_equivalency_number"),
	}
	if was != nil && i.product.anotherBox(was) {
		i.swapped(was, t)
	}
	i.ran(i.product.Software, t)
	return true
}

// swapped notes that another box sends under the NAME. One that did so before takes up its history; two that do in turn
// both send from one address.
func (i *identity) swapped(was *Product, t event.Time) {
	history := i.software
	i.software = nil
	now := TrueSerial(i.product.Serial)
	k := slices.IndexFunc(i.before, func(b Box) bool { return TrueSerial(b.Serial) == now })
	switch {
	case k < 0 || t.Sub(i.before[len(i.before)-1].Until) > inTurn:
		i.returns = 0
	case i.returns == 0:
		i.returned = t
		fallthrough
	default:
		i.returns = min(i.returns+1, sharedReturns)
	}
	if k >= 0 {
		i.software = slices.Clone(i.before[k].Software)
		i.before = slices.Delete(i.before, k, k+1)
	}
	i.before = lastOf(append(i.before, Box{was.Model, was.Serial, history, t}), maxBoxes)
	i.same = 0
}

// Reports of product information in turn: a box that is put in the place of another does not come back again and again
// within that time. Two that answer together do, until one is heard that often alone.
const (
	inTurn        = 10 * time.Minute
	sharedReturns = 2
	aloneReports  = 3
)

// alone notes that the box that reported last does so again.
func (i *identity) alone() {
	if i.same = min(i.same+1, aloneReports); i.same == aloneReports {
		i.returns = 0
	}
}

// maxBoxes is how many earlier boxes of one NAME are kept.
const maxBoxes = 4

// anotherBox reports whether the product is of another box than the one reported before: both give serial numbers,
// which differ.
func (p *Product) anotherBox(before *Product) bool {
	serial, was := TrueSerial(p.Serial), TrueSerial(before.Serial)
	return serial != "" && was != "" && serial != was
}

// ran notes the software version in the history.
func (i *identity) ran(version string, t event.Time) { i.software = ran(i.software, version, t) }

func ran(history []Software, version string, t event.Time) []Software {
	if version == "" || len(history) > 0 && history[len(history)-1].Version == version {
		return history
	}
	return lastOf(append(history, Software{Version: version, Since: t}), maxSoftware)
}

func (i *identity) takeConfiguration(data []byte) bool {
	values, err := pgn.Lookup(pgnConfiguration).Decode(data, nil)
	if err != nil && len(values) == 0 {
		return false
	}
	in := Installation{
		Description1:            textOf(values, "installation_description_1"),
		Description2:            textOf(values, "installation_description_2"),
		ManufacturerInformation: textOf(values, "manufacturer_information"),
	}
	i.installation = &in
	if in == (Installation{}) {
		i.installation = nil
	}
	return err == nil
}

// takeList reads a list of PGNs: 0 those sent, 1 those received, then three bytes each.
func (i *identity) takeList(data []byte) bool {
	list := make([]uint32, 0, len(data)/3)
	for p := data[1:]; len(p) >= 3; p = p[3:] {
		list = append(list, uint32(p[0])|uint32(p[1])<<8|uint32(p[2])<<16)
	}
	slices.Sort(list)
	list = slices.Compact(list)
	if data[0] == 0 {
		i.declares = list
	} else {
		i.receives = list
	}
	return true
}

// absorb fills what is missing from what was received before the address was claimed.
func (i *identity) absorb(other *identity) {
	if i.product == nil && other.product != nil {
		i.product, i.heard[0] = other.product, other.heard[0]
		for _, s := range other.software {
			i.ran(s.Version, s.Since)
		}
	}
	if i.installation == nil && other.installation != nil {
		i.installation, i.heard[1] = other.installation, other.heard[1]
	}
	if i.declares == nil && other.declares != nil {
		i.declares, i.heard[2] = other.declares, other.heard[2]
	}
	if i.receives == nil && other.receives != nil {
		i.receives, i.heard[3] = other.receives, other.heard[3]
	}
}

// rawOf is the field as sent, nil when it is not available.
func rawOf[T uint8 | uint16](values []pgn.Value, key string) *T {
	v := pgn.Find(values, key, 0)
	if v == nil || v.State != pgn.Available || v.Raw == int64(^T(0)) {
		return nil
	}
	n := T(v.Raw)
	return &n
}

func textOf(values []pgn.Value, key string) string {
	if v := pgn.Find(values, key, 0); v != nil {
		return v.Str()
	}
	return ""
}
